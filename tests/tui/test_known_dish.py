"""What the console knows of a dish before it moves."""

from __future__ import annotations

import pytest

from bridge.station.model import Station
from bridge.textfile.checked import parse_checked
from sim.demo_station import demo_station
from tui.known_dish import known_dish

SITE = '[station]\nname = "Yard"\nlatitude_deg = {}\nlongitude_deg = 3.9\n'
WORM = '[mount]\nkind = "worm"\ncounts_per_deg = 20\nnoon_count = 1200\n'
ROWS = (
    '[[position]]\nnumber = 4\nname = "Elm"\nlongitude_deg = 3.9\n'
    '[[position]]\nnumber = 2\nname = "Fir"\ncount = 70\n'
)


def station(text: str) -> Station:
    return parse_checked(text, "yard.toml", Station)


def test_the_demo_s_counts_by_geometry_are_near_those_taught() -> None:
    """The demo list was made with the mount of its own file, to one count."""
    dish = known_dish(station(demo_station()))
    assert dish.name == "Larkmere Test Yard"
    assert [row.number for row in dish.rows] == list(range(1, 17))
    for row in dish.rows:
        assert row.count is not None
        assert row.predicted == pytest.approx(row.count, abs=3)
    assert dish.span == (0, 1058)  # 560 mm of 1.88976 counts
    assert dish.hemisphere == "north"


def test_a_worm_has_no_ends_so_the_list_gives_the_counts_drawn() -> None:
    dish = known_dish(station(SITE.format(-10) + WORM + ROWS))
    assert [(row.number, row.name, row.count, row.predicted) for row in dish.rows] == [
        (4, "Elm", None, 1200),  # due north of the dish, at noon
        (2, "Fir", 70, None),
    ]
    assert dish.span == (20, 1250)
    assert dish.hemisphere == "south"


def test_without_mount_or_list_a_usual_span_is_drawn() -> None:
    dish = known_dish(station(SITE.format(0)))
    assert (dish.rows, dish.span, dish.hemisphere) == ((), (0, 1000), "north")
    assert known_dish(station(SITE.format(0) + ROWS)).span == (20, 120)
