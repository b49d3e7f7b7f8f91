"""`arcstep drift`: how far the counts of many rigs wander over years, and what makes them."""

from __future__ import annotations

import json as json_text
import sys
from pathlib import Path

from sim.drift import Forecast, forecast
from sim.yard_files import load_yard
from sim.yard_url import DEMO_YARD

CAUSES = {  # parts of the drift, in words for the table
    "missed": "missed pulses",
    "doubled": "doubled pulses",
    "wrong_sign": "pulses of a coast counted the wrong way",
    "late": "pulses after the counter had settled",
    "reversed_closed": "reversals begun while the reed was closed",
}


def _lines(name: str, result: Forecast) -> list[str]:
    years = f"{result.years:g} year" + ("" if result.years == 1 else "s")
    rows = [
        f"{name}: {result.rigs} rigs over {years}, {result.moves} moves each",
        f"counter minus true count: median {result.median_counts:+.1f} counts, "
        f"90 % of rigs within {result.p05:+.1f} to {result.p95:+.1f}",
        "",
        f"{'cause':<44}{'mean':>12}{'spread':>12}",
    ]
    rows += [
        f"{CAUSES.get(cause, cause.replace('_', ' ')):<44}{share.mean:>+12.2f}{share.std:>12.2f}"
        for cause, share in result.by_cause.items()
    ]
    return [*rows, "", "A forecast from assumed rates of faults, not a measurement of any rig."]


def _progress(part: float) -> None:
    print(f"\r{part:4.0%}", end="\n" if part >= 1.0 else "", file=sys.stderr, flush=True)


def run(
    station: Path | None,
    *,
    years: float = 1.0,
    rigs: int = 1000,
    json: bool = False,
    plot: Path | None = None,
    seed: int = 0,
) -> int:
    """Print the forecast, and draw it; returns 0."""
    yard = load_yard(DEMO_YARD if station is None else str(station))
    progress = _progress if sys.stderr.isatty() else None
    result = forecast(yard, years=years, rigs=rigs, seed=seed, progress=progress)
    if json:
        print(json_text.dumps(result.to_json()))
    else:
        print("\n".join(_lines(yard.station.name, result)))
    if plot is not None:
        from tui.pictures.drift import draw_drift  # noqa: PLC0415 - only a picture needs it

        draw_drift(result, plot)
        print(f"arcstep: picture written to {plot}", file=sys.stderr)
    return 0
