"""`arcstep console`: the helm on a port, and the screen in front of it."""

from __future__ import annotations

from pathlib import Path

from bridge.helm.helm import Helm
from bridge.station.model import load_station
from sim.yard_files import load_yard
from tui.known_dish import KnownDish, known_dish
from tui.open_port import is_simulated, open_adapter, with_speed, yard_name


def _known(station: Path | None, port: str) -> KnownDish:
    """What is known beforehand: of the station given, of the yard behind sim://, or nothing."""
    if station is not None:
        return known_dish(load_station(station))
    if is_simulated(port):
        return known_dish(load_yard(yard_name(port)))
    return KnownDish("")


def run(station: Path | None, port: str, speed: float | None) -> int:
    """Open the console; returns its exit code."""
    url = with_speed(port, speed)
    dish = _known(station, port)
    helm = Helm(
        lambda: open_adapter(url),
        port=port,
        live=not is_simulated(port),
        positions=dish.rows,
        span=dish.span,
        hemisphere=dish.hemisphere,
    )
    from tui.console.app import run_console  # noqa: PLC0415 - the screen is the slow import

    return run_console(helm.start())
