"""The plan as a picture: the belt over the horizon, and counts against hour angle."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from bridge.errors import BadInput
from bridge.station.model import Station
from sim.lists.survey import Satellite, Survey, count_at
from sim.sky.belt import Obstacle, Site, half_belt_deg, look_angles, wrap_longitude
from sim.sky.mount import hour_angle_deg
from sim.station_rig import linkage_of, obstacles_of, site_of, travel_of
from tui.pictures.figure import new_figure, save_figure
from tui.text_table import cells_of, fit, side

STEPS = 240  # points along the belt (judgement)
WIDE_PT, HIGH_PT = 590.0, 270.0  # pt, one panel as matplotlib lays out two (read off a picture)
LETTER_PT, LINE, ADVANCE = 8.0, 1.25, 0.62  # pt; of it, a line and a mean letter (judgement)
SMALLEST_PT = 4.5  # pt, letters of a list too long for the picture (judgement)
LONGEST = 16  # cells of a name in the picture (judgement)
LOWEST_DEG = -6.0  # deg of elevation at the foot of the picture (judgement)
MARGIN_DEG = 6.0  # deg of hour angle beyond satellites and ends of the travel (judgement)


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
    """Longitudes along the belt, in degrees, from one horizon to the other."""
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


def spaced(places: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places in ascending order moved as little as keeps them a gap apart, from low to high.

    >>> spaced([1.0, 10.0, 11.0, 12.0], 2.0, 0.0, 20.0), spaced([1.0, 1.0], 2.0, 1.0, 20.0)
    ([1.0, 9.0, 11.0, 13.0], [1.0, 3.0])
    """
    blocks: list[tuple[float, int]] = []  # mean of what is left without the gaps, and how many
    for index, place in enumerate(places):
        mean, many = place - index * gap, 1
        while blocks and blocks[-1][0] >= mean:
            before, more = blocks.pop()
            mean, many = (before * more + mean * many) / (more + many), more + many
        blocks.append((mean, many))
    last = high - (len(places) - 1) * gap
    level = [max(low, min(last, mean)) for mean, many in blocks for _ in range(many)]
    return [mean + index * gap for index, mean in enumerate(level)]


def _write_labels(axes: Any, labels: list[tuple[float, float, str]], edge: str) -> None:
    """Write labels upright in a row along the top or bottom edge, each with a line to its spot.

    The limits of the panel are moved to make room for the row.
    """
    left, right = axes.get_xlim()
    low, high = axes.get_ylim()
    if not labels:
        return
    labels = sorted(labels)
    size = max(SMALLEST_PT, min(LETTER_PT, WIDE_PT / LINE / len(labels)))
    gap = size * LINE * (right - left) / WIDE_PT
    places = spaced([x for x, _, _ in labels], gap, left + gap / 2, right - gap / 2)
    share = (max(cells_of(text) for *_, text in labels) * ADVANCE * size + 16.0) / HIGH_PT
    room = (high - low) * share / (1.0 - share)
    row = high + 0.1 * room if edge == "top" else low - 0.1 * room
    axes.set_yticks([tick for tick in axes.get_yticks() if low <= tick <= high])
    axes.set_ylim((low, high + room) if edge == "top" else (low - room, high))
    for (x, y, text), place in zip(labels, places, strict=True):
        axes.plot([x, place], [y, row], color="0.75", linewidth=0.6, zorder=1)
        axes.text(
            place, row, text, fontsize=size, rotation=90, ha="center", parse_math=False,
            va="bottom" if edge == "top" else "top",
        )  # fmt: skip


def _label_of(row: Satellite) -> str:
    """Name and longitude of a satellite, the name cut where it is long."""
    name = row.name if cells_of(row.name) <= LONGEST else fit(row.name, LONGEST)
    return f"{name} {side(row.longitude_deg or 0.0)}"


def _legend(axes: Any) -> None:
    """One line over the panel, where it covers nothing."""
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=5, frameon=False, fontsize=8,
            borderaxespad=0.1,
        )  # fmt: skip


def _draw_sky(axes: Any, station: Station, plan: Survey) -> None:
    site = site_of(station)
    middle = 180.0 if site.latitude_deg >= 0.0 else 0.0
    looks = [look_angles(site, longitude) for longitude in _belt(site)]
    track = [
        (unwrap(look.azimuth_deg, middle), look.elevation_deg)
        for look in looks
        if look.azimuth_deg is not None
    ]
    axes.plot(*zip(*track, strict=True), color="0.55", linewidth=1, label="belt")
    for index, obstacle in enumerate(obstacles_of(station)):
        for start, end in hidden_spans(obstacle, middle):
            label = "obstacle" if index == 0 else None
            height = obstacle.elevation_deg
            axes.bar(start, height, end - start, align="edge", color="0.8", label=label)
    azimuths = [azimuth for azimuth, _ in track]
    left, right = min(azimuths) - 5.0, max(azimuths) + 5.0
    labels = []
    for seen, marker, colour, label in (
        (True, "o", "tab:blue", "in view"),
        (False, "x", "tab:red", "hidden"),
    ):
        rows = [s for s in plan.satellites if s.visible is seen and s.elevation_deg is not None]
        spots = [
            (middle if s.azimuth_deg is None else unwrap(s.azimuth_deg, middle), s.elevation_deg)
            for s in rows
        ]
        shown = [
            (x, y or 0.0, _label_of(row))
            for row, (x, y) in zip(rows, spots, strict=True)
            if left <= x <= right and (y or 0.0) >= LOWEST_DEG
        ]
        if shown:
            xs, ys = [x for x, _, _ in shown], [y for _, y, _ in shown]
            axes.scatter(xs, ys, marker=marker, color=colour, label=label, s=22, zorder=3)
        labels += shown
    axes.axhline(0.0, color="black", linewidth=1)
    axes.set_ylim(LOWEST_DEG, max(elevation for _, elevation in track) + 3.0)
    axes.set_xlim(left, right)
    _write_labels(axes, labels, "top")
    axes.xaxis.set_major_formatter(lambda value, _: f"{value % 360:g}")
    axes.set_xlabel("azimuth, deg clockwise from true north")
    axes.set_ylabel("elevation, deg")
    axes.grid(alpha=0.3)
    _legend(axes)


def _draw_travel(axes: Any, station: Station, plan: Survey) -> None:
    axes.set_xlabel("hour angle, deg, east to the left (−), west to the right (+)")
    axes.set_ylabel("count")
    axes.grid(alpha=0.3)
    site, linkage = site_of(station), linkage_of(station)
    rows = [s for s in plan.satellites if s.hour_angle_deg is not None and s.hidden_by != "horizon"]
    left, right = _hours_shown(station, [row.hour_angle_deg or 0.0 for row in rows])
    curve = [
        (hour, count)
        for hour in sorted(hour_angle_deg(site, longitude) for longitude in _belt(site))
        if left <= hour <= right and (count := count_at(linkage, hour)) is not None
    ]
    if curve:
        axes.plot(*zip(*curve, strict=True), color="0.55", linewidth=1, label="by geometry")
    else:
        axes.text(
            0.5, 0.5, "no [mount]: no counts", ha="center", va="center", transform=axes.transAxes
        )
    travel = travel_of(station)
    kind = "soft limits" if station.limits is not None else "stroke"
    for index, count in enumerate(travel or ()):
        label = kind if index == 0 else None
        axes.axhline(count, color="tab:orange", linestyle="--", linewidth=1, label=label)
    placed = [(s.hour_angle_deg, s.count) for s in rows if s.count is not None]
    if placed:
        axes.scatter(*zip(*placed, strict=True), color="0.55", marker="|", s=50)
    taught = [(s.hour_angle_deg, s.taught) for s in rows if s.taught is not None]
    if taught:
        axes.scatter(*zip(*taught, strict=True), color="tab:blue", label="taught", s=22, zorder=3)
    labels = []
    for row in rows:
        count = row.taught if row.taught is not None else row.count
        if count is not None:
            labels.append((row.hour_angle_deg or 0.0, float(count), _label_of(row)))
    axes.set_xlim(left, right)
    _write_labels(axes, labels, "bottom")
    _legend(axes)


def _hours_shown(station: Station, hours: Sequence[float]) -> tuple[float, float]:
    """Hour angles from the east to the west end of what matters: satellites and travel."""
    linkage, ends = linkage_of(station), list(hours)
    for count in travel_of(station) or ():
        with suppress(BadInput):  # an end past a dead centre
            ends += [] if linkage is None else [linkage.hour_angle_deg(count)]
    if not ends:
        half = half_belt_deg(site_of(station))
        ends = [-half, half]
    return min(ends) - MARGIN_DEG, max(ends) + MARGIN_DEG
