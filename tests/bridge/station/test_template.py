"""The file a station begins with."""

from __future__ import annotations

import re

import pytest

from bridge.station.model import KnownEnds, Station
from bridge.station.template import KnownFacts, MountKind, blank_station
from bridge.textfile.checked import check, parse_checked


def test_a_blank_file_says_only_what_is_missing() -> None:
    checked = check(blank_station(KnownFacts()), "new.toml", Station)
    assert [mistake.path for mistake in checked.mistakes] == [
        ("station", "latitude_deg"),
        ("station", "longitude_deg"),
    ]


def test_what_is_known_is_written() -> None:
    known = KnownFacts('the "yard"', -44.6, 3.9, 210.0, 1.2)
    station = parse_checked(blank_station(known), "new.toml", Station)
    assert station.station.name == 'the "yard"'
    assert (station.station.latitude_deg, station.station.height_m) == (-44.6, 210.0)
    assert station.dish is not None
    assert station.mount is None


@pytest.mark.parametrize("kind", ["linear", "worm"])
def test_every_remark_that_is_a_key_is_a_right_one(kind: MountKind) -> None:
    """With all remarks that hold keys or headers put to use, the file is a whole station."""
    text = blank_station(KnownFacts(), kind)
    used = re.sub(r"^# (\[+\w+\]+|\w+ = .*)$", r"\1", text, flags=re.MULTILINE)
    station = parse_checked(used, "new.toml", Station)
    assert station.mount is not None
    assert station.mount.kind == kind
    assert station.limits is not None
    assert station.ends == KnownEnds(east=0, west=1000)
    assert station.positioner.passing == "passed"
    assert station.station.obstacles[0].elevation_deg == 35
    row = station.position[0]
    assert set(type(row).model_fields) == row.model_fields_set


def test_a_file_of_which_nothing_is_known_begins_with_examples_as_comments() -> None:
    lines = blank_station(KnownFacts()).splitlines()
    assert [line.split("  #")[0].rstrip() for line in lines[5:10]] == [
        "[station]",
        '# name = "Test Yard"',
        "# latitude_deg = 44.6",
        "# longitude_deg = 3.9",
        "# height_m = 210.0",
    ]
    assert [line.split("  #")[0].rstrip() for line in lines if "diameter" in line] == [
        "# diameter_m = 1.2"
    ]
    start = lines.index("# [ends]")
    assert lines[start : start + 3] == ["# [ends]", "# east = 0", "# west = 1000"]


def test_one_end_that_is_known_puts_its_table_to_use() -> None:
    lines = blank_station(KnownFacts(west_end=990)).splitlines()
    start = lines.index("[ends]")
    assert lines[start : start + 3] == ["[ends]", "# east = 0", "west = 990"]
