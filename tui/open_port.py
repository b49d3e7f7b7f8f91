"""From a port's URL to an open adapter: simulated and real ports by the same call."""

from __future__ import annotations

from urllib.parse import urlencode, urlsplit, urlunsplit

from bridge.errors import BadInput
from bridge.link.client import Adapter
from sim import protocol_sim
from sim.yard_url import YardUrl

LEASE_S = 1.0  # s the adapter lets its host be silent before it halts the motor (judgement)


def is_simulated(port: str) -> bool:
    """Whether a port is a simulated yard, so that nothing real moves."""
    return urlsplit(port).scheme == "sim"


def yard_name(port: str) -> str:
    """The yard of a sim:// URL. Raises YardError where it cannot be parsed."""
    return YardUrl.parse(port).yard


def pace_of(port: str) -> float:
    """Seconds of the dish in a second of this program: 1 for a real port."""
    return YardUrl.parse(port).speed if is_simulated(port) else 1.0


def with_speed(port: str, speed: float | None) -> str:
    """The sim:// URL with its pace of time. Raises BadInput for a real port.

    >>> with_speed("sim://larkmere?seed=3", 2)
    'sim://larkmere?seed=3&speed=2'
    """
    if speed is None:
        return port
    if not is_simulated(port):
        raise BadInput(f"--speed {speed:g} is for simulated yards; {port} runs at the pace it has")
    parts = urlsplit(port)
    query = "&".join(filter(None, [parts.query, urlencode({"speed": f"{speed:g}"})]))
    return urlunsplit(parts._replace(query=query))


def open_adapter(port: str) -> Adapter:
    """Open and greet the adapter at a port. Raises PortUnavailable and other LinkErrors."""
    protocol_sim.register()
    return Adapter.open(port, lease_s=LEASE_S)
