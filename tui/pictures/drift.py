"""The drift of many rigs as a picture: the band over the years, and the causes."""

from __future__ import annotations

from pathlib import Path

from sim.drift import Forecast
from tui.pictures.figure import new_figure, save_figure


def draw_drift(forecast: Forecast, out: Path) -> None:
    """Write the picture. Raises BadInput without matplotlib, for the suffix or the disk."""
    figure = new_figure(out)
    over_time, by_cause = figure.subplots(2, 1)
    years, low, middle, high = zip(*forecast.band, strict=True)
    over_time.fill_between(years, low, high, alpha=0.3, label="90 % of rigs")
    over_time.plot(years, middle, label="median")
    over_time.axhline(0, linewidth=0.5, color="black")
    over_time.set_xlabel("years")
    over_time.set_ylabel("counter minus true count")
    over_time.set_title(f"{forecast.rigs} rigs, assumed rates of faults", fontsize=10)
    over_time.legend()
    names = [name.replace("_", " ") for name in forecast.by_cause]
    shares = list(forecast.by_cause.values())
    by_cause.barh(names, [share.mean for share in shares], xerr=[share.std for share in shares])
    by_cause.set_xlabel("mean and spread, counts")
    save_figure(figure, out)
