"""`arcstep console`: the helm on a port, and a screen before it."""

from __future__ import annotations

from pathlib import Path

from bridge.helm.helm import Helm
from bridge.station.model import load_station
from sim.yard_files import load_yard
from tui.known_dish import Setting, setting_of
from tui.open_port import is_simulated, open_adapter, with_speed, yard_name


def _setting(station: Path | None, port: str) -> Setting:
    """What is known beforehand: of the station given, of the yard behind sim://, or nothing."""
    if station is not None:
        return setting_of(load_station(station))
    if is_simulated(port):
        return setting_of(load_yard(yard_name(port)))
    return Setting("")


def run(station: Path | None, port: str, speed: float | None) -> int:
    """Open the console; returns its exit code."""
    url = with_speed(port, speed)
    setting = _setting(station, port)
    helm = Helm(
        lambda: open_adapter(url),
        port=port,
        live=not is_simulated(port),
        positions=setting.rows,
        span=setting.span,
        hemisphere=setting.hemisphere,
    )
    from tui.console.app import run_console  # noqa: PLC0415 - the screen is the slow import

    return run_console(helm.start())
