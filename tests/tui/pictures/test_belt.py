"""The picture of a plan: what is drawn where, and that its labels can be read."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bridge.station.model import Station
from bridge.textfile.checked import parse_checked
from sim.lists.survey import survey
from tui.pictures.belt import draw_plan, hidden_spans, spaced

pytest.importorskip("matplotlib", reason="the plot extra is not installed")

YARD = """\
[station]
name = "Test $Yard$"
latitude_deg = 44.60
longitude_deg = 3.90
obstacles = [ { azimuth_deg = [209, 212], elevation_deg = 35 },
              { azimuth_deg = [100, 110], elevation_deg = 12 } ]
[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976
[limits]
east = 45
west = 940
"""
ROWS = [
    (2, "A $name$ that is rather too long", -18.6, 860),
    (1, "衛星", 41.2, None),
    (255, "Rowan", -28.7, None),
    (4, "unplaced", None, None),
    (5, "far", -178.0, None),
]


def station_of(head: str, rows: list[tuple[int, str, float | None, int | None]]) -> Station:
    text = head
    for number, name, longitude, count in rows:
        text += f'[[position]]\nnumber = {number}\nname = "{name}"\n'
        text += "" if longitude is None else f"longitude_deg = {longitude}\n"
        text += "" if count is None else f"count = {count}\n"
    return parse_checked(text, "yard.toml", Station)


@pytest.fixture(scope="module")
def draw() -> Any:
    """Draws a station and gives the figure instead of a file."""
    patch = pytest.MonkeyPatch()
    drawn: list[Any] = []
    patch.setattr("tui.pictures.belt.save_figure", lambda figure, _: drawn.append(figure))

    def figure_of(station: Station) -> Any:
        draw_plan(station, survey(station), Path("p.svg"))
        return drawn.pop()

    yield figure_of
    patch.undo()


@pytest.fixture(scope="module")
def panels(draw: Any) -> tuple[Any, Any]:
    sky, travel = draw(station_of(YARD, ROWS)).axes
    return sky, travel


def points(axes: Any, label: str) -> list[tuple[float, float]]:
    """The places of the marks or of the line with that label, rounded to 0.1."""
    for mark in axes.collections:
        if mark.get_label() == label:
            return [(round(x, 1), round(y, 1)) for x, y in mark.get_offsets()]
    (line,) = [line for line in axes.lines if line.get_label() == label]
    return [(round(x, 1), round(y, 1)) for x, y in zip(*line.get_data(), strict=True)]


def test_satellites_stand_in_the_sky_where_the_plan_has_them(panels: tuple[Any, Any]) -> None:
    """Azimuths and elevations by the formulas of a spherical Earth, seen to half a degree."""
    sky, _ = panels

    def look(longitude: float) -> tuple[float, float]:
        lat, d = math.radians(44.6), math.radians(longitude - 3.9)
        cos_c = math.cos(lat) * math.cos(d)
        elevation = math.atan2(cos_c - 6378.0 / 42164.0, math.sqrt(1 - cos_c**2))
        azimuth = 180.0 - math.degrees(math.atan2(math.tan(d), math.sin(lat)))
        return azimuth, math.degrees(elevation)

    in_view = points(sky, "in view")
    assert in_view == [pytest.approx(look(41.2), abs=0.5), pytest.approx(look(-28.7), abs=0.5)]
    assert points(sky, "hidden") == [pytest.approx(look(-18.6), abs=0.5)]


def test_the_belt_runs_from_horizon_to_horizon_and_no_farther(panels: tuple[Any, Any]) -> None:
    sky, _ = panels
    belt = points(sky, "belt")
    assert len(belt) == 241
    assert abs(belt[0][1]) < 1.0
    assert abs(belt[-1][1]) < 1.0
    azimuths, elevations = sky.lines[0].get_data()
    assert azimuths[max(range(241), key=lambda n: elevations[n])] == pytest.approx(180.0, abs=0.1)
    left, right = sky.get_xlim()
    assert left == pytest.approx(min(azimuth for azimuth, _ in belt) - 5.0, abs=0.1)
    assert right == pytest.approx(max(azimuth for azimuth, _ in belt) + 5.0, abs=0.1)
    low, high = sky.get_ylim()
    assert low == -6.0
    assert high > max(elevation for _, elevation in belt) + 3.0  # with room for the labels
    assert [tick for tick in sky.get_yticks() if not low <= tick < 45.0] == []


def test_obstacles_stand_where_the_file_has_them_and_are_named_once(
    panels: tuple[Any, Any],
) -> None:
    sky, _ = panels
    boxes = [(p.get_x(), p.get_width(), p.get_y(), p.get_height()) for p in sky.patches]
    assert boxes == [(209.0, 3.0, 0.0, 35.0), (100.0, 10.0, 0.0, 12.0)]
    _, labels = sky.get_legend_handles_labels()
    assert sorted(labels) == ["belt", "hidden", "in view", "obstacle"]


def test_each_satellite_shown_is_labelled_with_its_side(panels: tuple[Any, Any]) -> None:
    for axes in panels:
        labels = {text.get_text() for text in axes.texts}
        assert labels == {"衛星 41.2E", "A $name$ that i… 18.6W", "Rowan 28.7W"}
        assert not any(text.get_parse_math() for text in axes.texts)


def test_counts_against_hour_angles(panels: tuple[Any, Any]) -> None:
    _, travel = panels
    curve = points(travel, "by geometry")
    assert all(a[0] > b[0] and a[1] > b[1] for b, a in pairwise(sorted(curve)))  # counts grow west
    assert points(travel, "soft limits") == [(0.0, 45.0), (1.0, 45.0)]  # a line across the panel
    orange = [line for line in travel.lines if line.get_color() == "tab:orange"]
    assert [line.get_ydata()[0] for line in orange] == [45, 940]
    [(hour, count)] = points(travel, "taught")
    assert count == 860
    assert hour == pytest.approx(25.0, abs=0.5)  # 22.5 deg of longitude seen from 44.6 N
    near = min(curve, key=lambda point: abs(point[0] - hour))
    assert near[1] == pytest.approx(857, abs=5)
    left, right = travel.get_xlim()
    assert left < min(x for x, _ in curve)
    assert right > max(x for x, _ in curve)
    low, high = travel.get_ylim()
    assert low < 0
    assert high > 942


def test_the_title_is_the_station_s_name(draw: Any) -> None:
    figure = draw(station_of('[station]\nname = "$Y$"\nlatitude_deg = 1\nlongitude_deg = 2\n', []))
    assert figure.get_suptitle() == "$Y$"
    _, travel = figure.axes
    assert [text.get_text() for text in travel.texts] == ["no [mount]: no counts"]
    assert travel.get_legend() is None
    left, right = travel.get_xlim()
    assert (left, right) == (pytest.approx(-right), pytest.approx(87.3, abs=0.7))  # belt and 6 deg


def test_azimuths_north_of_the_equator_s_belt_are_shown_within_a_circle(draw: Any) -> None:
    south = station_of(
        "[station]\nlatitude_deg = -40\nlongitude_deg = 10\n", [(1, "A", 10.0, None)]
    )
    sky, _ = draw(south).axes
    [(azimuth, elevation)] = points(sky, "in view")
    assert azimuth == 0.0
    assert elevation == pytest.approx(43.7, abs=0.2)
    assert sky.xaxis.get_major_formatter()(-30.0, 0) == "330"


SITES = [(44.6, 3.9, 0.3), (-33.9, 179.9, 2.1), (0.0, 100.5, 2.1), (81.3, 10.0, 0.3)]


@pytest.mark.parametrize(("latitude", "longitude", "apart_deg"), SITES)
def test_labels_of_a_long_list_do_not_overlap(
    draw: Any, latitude: float, longitude: float, apart_deg: float
) -> None:
    agg = pytest.importorskip("matplotlib.backends.backend_agg")
    head = f"[station]\nlatitude_deg = {latitude}\nlongitude_deg = {longitude}\n"
    head += "obstacles = [ { azimuth_deg = [340, 15], elevation_deg = 60 } ]\n"
    head += '[mount]\nkind = "worm"\ncounts_per_deg = 20\nnoon_count = 1200\n'
    rows = [
        (n + 1, f"Satellite {n}", (longitude + apart_deg * (n - 20) + 180.0) % 360.0 - 180.0, None)
        for n in range(40)
    ]
    figure = draw(station_of(head, rows))  # type: ignore[arg-type]
    agg.FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    for axes in figure.axes:
        boxes = [label.get_window_extent() for label in axes.texts]
        assert len(boxes) > (25 if latitude < 80 else 2)
        for box, other in pairwise(sorted(boxes, key=lambda box: float(box.x0))):
            assert box.x1 <= other.x0 + 1.0 or box.y1 < other.y0 or other.y1 < box.y0
        frame = axes.get_window_extent()
        for box in boxes:
            assert frame.x0 - 1.0 <= box.x0
            assert box.x1 <= frame.x1 + 1.0
            assert frame.y0 - 1.0 <= box.y0
            assert box.y1 <= frame.y1 + 1.0


def test_the_belt_over_the_equator_passes_the_zenith(draw: Any) -> None:
    sky, _ = draw(station_of("[station]\nlatitude_deg = 0\nlongitude_deg = 100.5\n", [])).axes
    azimuths, elevations = sky.lines[0].get_data()
    for (a, b), (low, high) in zip(pairwise(azimuths), pairwise(elevations), strict=True):
        assert abs(b - a) < 1.0 or min(low, high) > 85.0  # across the sky only overhead


def test_places_are_spread_about_where_they_belong_and_stay_between_the_edges() -> None:
    assert spaced([], 2.0, 0.0, 10.0) == []
    assert spaced([1.0, 5.0], 2.0, 0.0, 10.0) == [1.0, 5.0]
    assert spaced([5.0, 5.0, 5.0], 2.0, 0.0, 10.0) == [3.0, 5.0, 7.0]
    assert spaced([9.5, 9.6], 2.0, 0.0, 10.0) == [8.0, 10.0]
    assert spaced([0.1, 0.2], 2.0, 0.0, 10.0) == [0.0, 2.0]
    assert spaced([4.0, 5.0, 9.0], 2.0, 0.0, 20.0) == [3.5, 5.5, 9.0]


def test_an_obstacle_all_round_and_one_across_the_edge() -> None:
    from sim.sky.belt import Obstacle

    assert hidden_spans(Obstacle(0.0, 360.0, 5.0), 180.0) == [(0.0, 360.0)]
    assert hidden_spans(Obstacle(350.0, 10.0, 5.0), 180.0) == [(350.0, 360.0), (0.0, 10.0)]
    assert hidden_spans(Obstacle(350.0, 10.0, 5.0), 0.0) == [(-10.0, 10.0)]
