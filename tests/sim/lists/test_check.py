"""Mistakes planted in a sound list, each found by its name, and nothing found in the sound one."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.errors import YardError
from bridge.station.model import Station
from bridge.textfile.checked import parse_checked
from sim.lists.check import Checkup, check_text
from sim.lists.compare import compare
from sim.lists.finding import ListFinding
from sim.yard_files import load_yard

# The invented Larkmere yard: counts by its own linkage (demo data: it proves no arithmetic, it is
# the sound list that mistakes are planted in)
YARD = load_yard("larkmere")
HEAD = """\
[station]
latitude_deg = 44.60
longitude_deg = 3.90
height_m = 210
[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.8897637795
[limits]
east = 45
west = 985
"""


def text_of(change: Callable[[int, dict[str, object]], object] = lambda n, row: None) -> str:
    """The sound list, each row changed in place by `change`."""
    counts = YARD.taught_counts()
    parts = [HEAD]
    for position in YARD.position:
        row: dict[str, object] = {
            "number": position.number,
            "name": f'"{position.name}"',
            "longitude_deg": position.longitude_deg,
            "count": counts[position.number],
            "horizontal_deg": -45.0,
            "vertical_deg": 45.0,
            "peaked": "2026-05-04",
        }
        change(position.number, row)
        pairs = [f"{key} = {value}" for key, value in row.items() if value is not None]
        parts.append("\n".join(["[[position]]", *pairs]) + "\n")
    return "\n".join(parts)


def planted(which: int, **values: object) -> Checkup:
    def change(at: int, row: dict[str, object]) -> None:
        if at == which:
            row.update(values)

    return check_text(text_of(change), "yard.toml")


def codes(done: Checkup) -> set[tuple[int | None, str, bool]]:
    return {(finding.number, finding.code, finding.grave) for finding in done.findings}


def test_a_sound_list_has_no_findings() -> None:
    done = check_text(text_of(), "yard.toml")
    assert done.findings == ()
    assert done.rows == 16
    assert done.names[6] == "Fir"


@pytest.mark.parametrize(
    ("number", "values", "found"),
    [
        (6, {"count": 376}, {(6, "neighbour", True), (6, "same count", True)}),
        (6, {"count": 20}, {(6, "outside limits", True), (6, "unexplained", True)}),
        (6, {"number": 5}, {(5, "duplicate number", True)}),
        (6, {"number": 300}, {(300, "value", True)}),
        (6, {"number": 120}, {(120, "many", False)}),
        (6, {"count": 1500}, {(6, "stroke", True)}),
        (6, {"count": None}, {(6, "not taught", False)}),
        (6, {"longitude_deg": 355}, {(6, "value", True)}),
        (6, {"longitude_deg": None}, {(6, "no longitude", False)}),
        (6, {"longitude_deg": 120.0}, {(6, "horizon", True)}),
        (6, {"longitude_deg": 14.3, "count": 480}, {(7, "same longitude", False)}),
        (6, {"name": '"Elm"'}, {(6, "same name", False)}),
        (6, {"peaked": None}, {(6, "undated", False)}),
        (6, {"horizontal_deg": 45.0, "vertical_deg": -45.0}, {(6, "polarity swapped", True)}),
        (6, {"vertical_deg": 40.0}, {(6, "polarity", False)}),
        (6, {"vertical_deg": -44.0}, {(6, "polarity", True)}),
        (6, {"colour": 1}, {(6, "unknown key", True)}),
        (6, {"longitude_deg": -45.0, "count": None},
            {(6, "not taught", False), (6, "out of reach", False)}),
    ],
)  # fmt: skip
def test_a_planted_mistake_is_found(
    number: int, values: dict[str, object], found: set[tuple[int | None, str, bool]]
) -> None:
    assert codes(planted(number, **values)) == found


def test_the_neighbour_is_named() -> None:
    [neighbour] = [f for f in planted(6, count=376).findings if f.code == "neighbour"]
    assert "5 Elm" in neighbour.detail


def test_order_without_a_mount() -> None:
    swap = {6: 480, 7: 440}

    def change(at: int, row: dict[str, object]) -> None:
        row["count"] = swap.get(at, row["count"])

    text = text_of(change)
    mount, limits = text.index("[mount]"), text.index("[limits]")
    done = check_text(text[:mount] + text[limits:], "yard.toml")
    numbers = {finding.number for finding in done.findings if finding.grave}
    assert numbers <= {6, 7, None}
    assert numbers


def test_rows_that_cannot_be_are_findings_with_their_line() -> None:
    text = text_of() + '[[position]]\nnumber = 6\nname = "Again"\ncount = 9.5\n'
    done = check_text(text, "yard.toml")
    line = text.count("\n")
    assert [(f.number, f.code) for f in done.findings] == [(6, "value"), (6, "duplicate number")]
    assert done.findings[0].detail.startswith(f"line {line}: count: 9.5 is not a whole number")
    assert "of Fir on line" in done.findings[1].detail
    assert done.rows == 17


def test_what_is_wrong_elsewhere_is_bad_input() -> None:
    text = text_of().replace("latitude_deg = 44.60", "latitude_deg = 144") + "[[position]]\n"
    with pytest.raises(YardError) as refused:
        check_text(text, "yard.toml")
    assert len(str(refused.value).splitlines()) == 3  # the latitude, and two missing keys
    with pytest.raises(YardError, match="decimal comma"):
        check_text(text_of().replace("44.60", "44,60"), "yard.toml")


def test_the_list_as_a_whole() -> None:
    def shift(at: int, row: dict[str, object]) -> None:
        row["count"] = int(str(row["count"])) - 30
        row["peaked"] = None

    text = text_of(shift).replace("west = 985", "west = 1056")
    assert codes(check_text(text, "yard.toml")) == {
        (None, "shifted", False),
        (None, "undated", False),
        (None, "limit at the end", False),
    }


# ---- two lists ------------------------------------------------------------------------------


def listed(text: str) -> list[ListFinding]:
    before = parse_checked(text_of(), "a", Station)
    return compare(before, parse_checked(text, "b", Station))


def test_the_same_list_twice() -> None:
    assert listed(text_of()) == []


def test_differences() -> None:
    def change(at: int, row: dict[str, object]) -> None:
        if at == 6:
            row["count"] = 376
        elif at == 7:
            row["number"] = 70

    text = text_of(change).replace("west = 985", "west = 980").replace("height_m = 210\n", "")
    text = text.replace("[limits]", "[positioner]\napproach = 'west'\n[limits]")
    assert [(f.number, f.code, f.sentence) for f in listed(text)] == [
        (None, "station.height_m", "station.height_m: 210 -> 0"),
        (None, "limits.west", "limits.west: 985 -> 980"),
        (None, "positioner.approach", 'positioner.approach: none -> "west"'),
        (6, "count", "count of Fir: 440 -> 376 (-64)"),
        (7, "removed", "Gorse is gone"),
        (70, "added", "Gorse (count 480) is new"),
    ]


def test_a_list_that_moved_as_one() -> None:
    def change(at: int, row: dict[str, object]) -> None:
        row["count"] = int(str(row["count"])) - 10

    found = listed(text_of(change))
    assert found[0] == ListFinding(
        None, "moved alike", "all 16 counts that both files hold moved by -10"
    )
    assert len(found) == 17


def test_a_count_past_a_known_end_and_a_limit_close_to_one() -> None:
    ends = "[ends]\neast = 0\nwest = 988\n[limits]"
    done = check_text(text_of().replace("[limits]", ends), "yard.toml")
    assert codes(done) == {(None, "limit at the end", False)}
    assert "3 counts from the west end, 988, usual" in done.findings[0].detail
    bare = text_of().replace("[limits]\neast = 45\nwest = 985", "[ends]\neast = 100\nwest = 1000")
    done = check_text(bare, "yard.toml")
    assert codes(done) == {(1, "outside ends", True)}
    assert "past the east end, which read 100" in done.findings[0].detail


def test_a_row_that_is_wrong_keeps_its_name() -> None:
    assert planted(6, count=1500).names[6] == "Fir"


def test_obstacles_that_differ_are_told_in_words() -> None:
    wraps = "obstacles = [ { azimuth_deg = [350, 10], elevation_deg = 60 } ]"
    after = text_of().replace("height_m = 210", f"height_m = 210\n{wraps}")
    stations = [parse_checked(text, "yard.toml", Station) for text in (text_of(), after)]
    (finding,) = compare(*stations)
    assert finding.sentence == "station.obstacles: none -> azimuth 350 to 10 up to 60 deg"
