"""The plan as a picture: the belt over the horizon, and counts against hour angle."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bridge.station import Station
from sim.ground import linkage_of, obstacles_of, site_of, travel_of
from sim.plan.survey import Survey, count_at
from sim.sky.belt import Obstacle, Site, half_belt_deg, look_at, wrap_longitude
from sim.sky.polar import hour_angle_deg
from tui.columns import side
from tui.plot import new_figure, save_figure

STEPS = 240  # points along the belt
RISING = {"fontsize": 8, "rotation": 55, "parse_math": False}
FALLING = {"fontsize": 8, "rotation": -40, "va": "top", "parse_math": False}


def draw_plan(station: Station, plan: Survey, out: Path) -> None:
    """Write the picture. Raises BadInput without matplotlib, for the suffix or the disk."""
    figure = new_figure(out)
    sky, travel = figure.subplots(2, 1)
    name = "".join(c if c.isprintable() else "?" for c in station.station.name)
    figure.suptitle(name, parse_math=False)
    _draw_sky(sky, station, plan)
    _draw_travel(travel, station, plan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a letter that the font lacks is drawn as a box
        save_figure(figure, out)


def _belt(site: Site) -> Iterator[float]:
    half = half_belt_deg(site)
    for step in range(STEPS + 1):
        yield wrap_longitude(site.longitude_deg - half + 2.0 * half * step / STEPS)


def unwrap(azimuth_deg: float, middle_deg: float) -> float:
    """The azimuth nearest to the middle of the picture: north may lie in it.

    >>> unwrap(350.0, 0.0), unwrap(200.0, 180.0)
    (-10.0, 200.0)
    """
    return middle_deg + (azimuth_deg - middle_deg + 180.0) % 360.0 - 180.0


def hidden_spans(obstacle: Obstacle, middle_deg: float) -> list[tuple[float, float]]:
    """An obstacle's azimuths as spans of a picture that ends half a turn from its middle.

    >>> hidden_spans(Obstacle(170, 190, 10), 0.0)
    [(170.0, 180.0), (-180.0, -170.0)]
    """
    width = (obstacle.to_azimuth_deg - obstacle.from_azimuth_deg) % 360.0 or 360.0
    start = unwrap(obstacle.from_azimuth_deg, middle_deg)
    end, edge = start + width, middle_deg + 180.0
    return [(start, end)] if end <= edge else [(start, edge), (edge - 360.0, end - 360.0)]


def _draw_sky(axes: Any, station: Station, plan: Survey) -> None:
    site = site_of(station)
    middle = 180.0 if site.latitude_deg >= 0.0 else 0.0
    looks = [look_at(site, longitude) for longitude in _belt(site)]
    track = [
        (unwrap(look.azimuth_deg, middle), look.elevation_deg)
        for look in looks
        if look.azimuth_deg is not None
    ]
    track.sort()
    axes.plot(*zip(*track, strict=True), color="0.55", linewidth=1, label="belt")
    for index, obstacle in enumerate(obstacles_of(station)):
        for start, end in hidden_spans(obstacle, middle):
            label = "obstacle" if index == 0 else None
            height = obstacle.elevation_deg
            axes.bar(start, height, end - start, align="edge", color="0.8", label=label)
    for seen, marker, colour, label in (
        (True, "o", "tab:blue", "in view"),
        (False, "x", "tab:red", "hidden"),
    ):
        rows = [s for s in plan.satellites if s.visible is seen and s.azimuth_deg is not None]
        spots = [(unwrap(s.azimuth_deg or 0.0, middle), s.elevation_deg or 0.0) for s in rows]
        if spots:
            axes.scatter(*zip(*spots, strict=True), marker=marker, color=colour, label=label, s=22)
        for row, (x, y) in zip(rows, spots, strict=True):
            text = f"{row.name} {side(row.longitude_deg or 0.0)}"
            axes.annotate(text, (x, y), (2, 4), textcoords="offset points", **RISING)
    axes.axhline(0.0, color="black", linewidth=1)
    top = max((elevation for _, elevation in track), default=0.0)
    axes.set_ylim(-6.0, top + 18.0)
    axes.set_xlim(track[0][0] - 5.0, track[-1][0] + 5.0)
    axes.xaxis.set_major_formatter(lambda value, _: f"{value % 360:g}")
    axes.set_xlabel("azimuth, deg clockwise from true north")
    axes.set_ylabel("elevation, deg")
    axes.grid(alpha=0.3)
    axes.legend(loc="upper right", fontsize=8)


def _draw_travel(axes: Any, station: Station, plan: Survey) -> None:
    axes.set_xlabel("hour angle, deg, east to the left (−), west to the right (+)")
    axes.set_ylabel("count")
    axes.grid(alpha=0.3)
    site, linkage = site_of(station), linkage_of(station)
    curve = [
        (hour, count)
        for hour in sorted(hour_angle_deg(site, longitude) for longitude in _belt(site))
        if (count := count_at(linkage, hour)) is not None
    ]
    if not curve:
        axes.text(
            0.5, 0.5, "no [mount]: no counts", ha="center", va="center", transform=axes.transAxes
        )
    else:
        axes.plot(*zip(*curve, strict=True), color="0.55", linewidth=1, label="predicted")
    travel = travel_of(station)
    kind = "soft limits" if station.limits is not None else "stroke"
    for index, count in enumerate(travel or ()):
        label = kind if index == 0 else None
        axes.axhline(count, color="tab:orange", linestyle="--", linewidth=1, label=label)
    rows = [s for s in plan.satellites if s.hour_angle_deg is not None]
    placed = [(s.hour_angle_deg, s.count) for s in rows if s.count is not None]
    if placed:
        axes.scatter(*zip(*placed, strict=True), color="0.55", marker="|", s=50)
    taught = [(s.hour_angle_deg, s.taught) for s in rows if s.taught is not None]
    if taught:
        axes.scatter(*zip(*taught, strict=True), color="tab:blue", label="taught", s=22, zorder=3)
    for row in rows:
        count = row.taught if row.taught is not None else row.count
        if count is not None:
            spot = (row.hour_angle_deg, count)
            axes.annotate(row.name, spot, (2, -2), textcoords="offset points", **FALLING)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper left", fontsize=8)
