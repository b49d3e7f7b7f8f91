"""Every key of a station file, however the file is laid out: one set, and only its line differs."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.station.document import BOM, StationFile, Value
from bridge.station.model import Station
from bridge.textfile.places import KeyPath

TABLES = """\
# the yard
[station]   # where it stands
name = "Test Yard"
latitude_deg = 44.60   # north
longitude_deg=3.90
height_m = 210
obstacles = [ { azimuth_deg = [350, 10], elevation_deg = 35 },   # the barn
              { azimuth_deg = [209, 212], elevation_deg = 30 } ]

  [dish]
  diameter_m = 1.2  # "about"
  frequency_ghz = 12.0

[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976
noon_angle_deg = 90

[limits]
east = 45\t# two fingers
west = 985
[ends]
east = 0
west = 1000
[positioner]
approach = 'west'
passing = "passed"

# the first
[[position]]
number = 1
name = "Alder"
longitude_deg = 41.2
count = 94
horizontal_deg = -45.0
vertical_deg = 45.0
peaked = 2026-05-04
note = "a # in a note"

[[position]]
name = "Birch # no remark"   # and one
number = 2"""
BRACES = """\
limits = { east = 45, west = 985 }   # both
ends = {east=0,west=1000}
dish = { diameter_m = 1.2, frequency_ghz = 12.0 }
station = { name = "Yard", latitude_deg = 44.6, longitude_deg = 3.9, height_m = 5, obstacles = [] }
position = [
  { number = 1, name = "Alder", longitude_deg = 41.2, count = 94, note = "}" },   # [the first]
  { number = 2, name = 'Birch', horizontal_deg = -44.5, vertical_deg = 45.5, peaked = 2026-05-04 },
]
[mount]
kind = "worm"
counts_per_deg = 20
noon_count = 500
"""
DOTTED = """\
station.name = "Yard"   # dotted
station.latitude_deg = 44.6
station."longitude_deg" = 3.9
limits.east = 45
limits . west = 985
dish.diameter_m = 1.2
[[position]]
number = 1
name = "Alder"
"count" = 94
"""
FRESH: dict[str, Value] = {
    "name": "Other", "latitude_deg": -33.25, "longitude_deg": 17.5, "height_m": 12,
    "diameter_m": 2.4, "frequency_ghz": 4.0, "frame_pivot_mm": 521.5, "dish_pivot_mm": 431,
    "retracted_mm": 352, "stroke_mm": 561, "counts_per_mm": 1.9, "noon_angle_deg": 91,
    "counts_per_deg": 21, "noon_count": 501, "approach": "east", "passing": "held18",
    "number": 77, "count": 333, "horizontal_deg": -44.0, "vertical_deg": 46.0,
    "peaked": date(2026, 6, 1), "note": 'new "note"', "elevation_deg": 41,
}  # fmt: skip
SIDES = {"limits": {"east": 46, "west": 980}, "ends": {"east": 1, "west": 1001}}


def leaves(data: object, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Every key of a file that holds a plain value, by its path."""
    pairs = data.items() if isinstance(data, dict) else enumerate(data)  # type: ignore[arg-type]
    for key, value in pairs:
        if isinstance(value, dict | list):
            yield from leaves(value, (*path, key))
        elif isinstance(key, str) and key != "kind":
            yield (*path, key)


CASES = [
    (name, text, path)
    for name, text in (("tables", TABLES), ("braces", BRACES), ("dotted", DOTTED))
    for path in leaves(tomllib.loads(text))
]


def fresh(path: KeyPath) -> Value:
    table, key = str(path[0]), str(path[-1])
    return SIDES[table][key] if table in SIDES else FRESH[key]


def dressed(text: str, crlf: bool, final: bool, mark: bool) -> bytes:
    text = text.rstrip("\n") + ("\n" if final else "")
    text = text.replace("\n", "\r\n") if crlf else text
    return (BOM if mark else b"") + text.encode()


def test_no_key_of_the_model_is_left_out() -> None:
    keys = {str(path[-1]) for _, _, path in CASES}
    tables = ("SiteTable", "ReflectorTable", "LinearMount", "WormMount", "SoftLimits",
              "KnownEnds", "Controller", "Position")  # fmt: skip
    known = {k for table in tables
             for k in Station.model_json_schema()["$defs"][table]["properties"]}  # fmt: skip
    assert known - keys == {"kind", "obstacles"}  # a kind brings other keys, obstacles are a list


@pytest.mark.parametrize(
    ("crlf", "final"), [(False, True), (True, False)], ids=["lf, newline", "crlf, no newline"]
)
@pytest.mark.parametrize(
    ("text", "path"), [pytest.param(t, p, id=f"{n}-{'.'.join(map(str, p))}") for n, t, p in CASES]
)
def test_one_key_set_and_only_its_line_differs(
    text: str, path: KeyPath, crlf: bool, final: bool, tmp_path: Path
) -> None:
    before = dressed(text, crlf, final, mark=crlf)
    file = tmp_path / "yard.toml"
    file.write_bytes(before)
    station = StationFile(file)
    station.set(path, fresh(path))
    station.save()
    after = file.read_bytes()
    expected: object = tomllib.loads(before.removeprefix(BOM).decode())
    table = expected
    for part in path[:-1]:
        table = table[part]  # type: ignore[index]
    table[path[-1]] = fresh(path)  # type: ignore[index]
    assert tomllib.loads(after.removeprefix(BOM).decode()) == expected  # no reader of ours
    old, new = before.split(b"\n"), after.split(b"\n")
    assert len(old) == len(new)
    assert sum(a != b for a, b in zip(old, new, strict=True)) == 1


@given(data=st.data())
def test_many_keys_at_once_change_no_line_but_theirs(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    name = data.draw(st.sampled_from(["tables", "braces", "dotted"]))
    mine = [(text, path) for kind, text, path in CASES if kind == name]
    text = mine[0][0]
    paths = data.draw(st.lists(st.sampled_from([path for _, path in mine]), unique=True))
    numbers = [path for path in paths if path[-1] == "number"]
    paths = [path for path in paths if path not in numbers[1:]]  # two rows, one new number
    before = dressed(text, data.draw(st.booleans()), data.draw(st.booleans()), mark=False)
    file = tmp_path_factory.mktemp("many") / "yard.toml"
    file.write_bytes(before)
    station = StationFile(file)
    station.edit({path: fresh(path) for path in paths})
    station.save()
    old, new = before.split(b"\n"), file.read_bytes().split(b"\n")
    assert len(old) == len(new)
    assert sum(a != b for a, b in zip(old, new, strict=True)) <= len(paths)
    assert {leaf: fresh(leaf) for leaf in paths}.items() <= {
        leaf: _at(tomllib.loads(file.read_text(encoding="utf-8")), leaf) for _, leaf in mine
    }.items()


def _at(data: object, path: KeyPath) -> object:
    for part in path:
        data = data[part]  # type: ignore[index]
    return data
