"""`arcstep console`: the helm on a port, and a screen before it."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlencode, urlsplit, urlunsplit

from bridge.errors import BadInput
from bridge.helm import Helm
from bridge.link.adapter import Adapter
from bridge.station import load_station
from sim.yard import load_yard
from tui.scene import Setting, is_simulated, setting_of, yard_name

LEASE_S = 1.0  # s the adapter lets the helm be silent before it halts the motor


def with_speed(port: str, speed: float | None) -> str:
    """The sim:// URL with its pace of time. Raises BadInput for a real port."""
    if speed is None:
        return port
    if not is_simulated(port):
        raise BadInput(f"--speed {speed:g} is for simulated yards; {port} runs at the pace it has")
    parts = urlsplit(port)
    query = "&".join(filter(None, [parts.query, urlencode({"speed": f"{speed:g}"})]))
    return urlunsplit(parts._replace(query=query))


def _setting(station: Path | None, port: str) -> Setting:
    if station is not None:
        return setting_of(load_station(station))
    if is_simulated(port):
        return setting_of(load_yard(yard_name(port) or "larkmere").station_part())
    return Setting("")


def run(station: Path | None, port: str, speed: float | None) -> int:
    """Open the console; returns its exit code."""
    url = with_speed(port, speed)
    setting = _setting(station, port)
    helm = Helm(
        lambda: Adapter.open(url, lease_s=LEASE_S),
        port=port,
        live=not is_simulated(port),
        positions=setting.rows,
        span=setting.span,
        hemisphere=setting.hemisphere,
    )
    from tui.console.app import run_console  # noqa: PLC0415 - the screen is the slow import

    return run_console(helm.start())
