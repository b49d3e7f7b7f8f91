"""`[ends]` of a station file: what the counter read there, held against limits and stroke."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.station.document import StationFile
from bridge.station.model import KnownEnds, Station
from bridge.textfile.checked import check, parse_checked

HEAD = '[station]\nname = "Yard"\nlatitude_deg = 44.6\nlongitude_deg = 3.9\n'
MOUNT = (
    '[mount]\nkind = "linear"\nframe_pivot_mm = 520\ndish_pivot_mm = 430\nretracted_mm = 350\n'
    "stroke_mm = 560\ncounts_per_mm = 1.88976\n"
)
LIMITS = "[limits]\neast = 45\nwest = 985\n"


def told(text: str) -> list[str]:
    return check(text, "yard.toml", Station).messages()


def test_ends_may_be_known_both_or_one_or_not_at_all() -> None:
    for ends, known in (("east = 0\nwest = 1000\n", KnownEnds(east=0, west=1000)),
                        ("west = 1000\n", KnownEnds(west=1000)), ("", KnownEnds())):  # fmt: skip
        station = parse_checked(f"{HEAD}{MOUNT}{LIMITS}[ends]\n{ends}", "yard.toml", Station)
        assert station.ends == known
    assert parse_checked(HEAD, "yard.toml", Station).ends is None


@pytest.mark.parametrize(
    ("limits", "ends", "says"),
    [
        ("", "east = 1000\nwest = 0\n", "ends.east: 1000 is not below the west end 0; counts grow"),
        (LIMITS, "east = 45\n", "limits.east: 45 is not inside the east end, which read 45; set"),
        (LIMITS, "west = 900\n", "limits.west: 985 is not inside the west end, which read 900; se"),
        ("", "east = 0\nwest = 1100\n", "ends.west: the ends 0 and 1100 are 1100 counts apart"),
        ("", "east = 0.5\n", "ends.east: 0.5 is not a whole number"),
        ("", "eats = 5\n", "ends.eats: is not a key here; write east"),
    ],
)
def test_ends_that_cannot_be_are_told_with_line_and_next_step(
    limits: str, ends: str, says: str
) -> None:
    text = f"{HEAD}{MOUNT}{limits}[ends]\n{ends}"
    (sentence,) = told(text)
    where, _, rest = sentence.partition(": ")
    assert rest.startswith(says)
    line = int(where.removeprefix("yard.toml:"))
    key, value = says.split(".")[1].partition(":")[0], text.splitlines()[line - 1]
    assert value.startswith(key)


def test_both_limits_outside_are_told_both() -> None:
    assert len(told(f"{HEAD}{LIMITS}[ends]\neast = 50\nwest = 900\n")) == 2


def test_ends_are_set_in_a_file_that_has_none(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    path.write_text(f'{HEAD}\n[[position]]\nnumber = 1\nname = "Alder"\n', encoding="utf-8")
    file = StationFile(path)
    file.edit({("ends", "west"): 1000, ("ends", "east"): 0})
    file.save()
    text = path.read_text(encoding="utf-8")
    assert "[ends]\neast = 0\nwest = 1000\n" in text
    assert text.index("[ends]") < text.index("[[position]]")


def test_a_count_past_all_counting_is_told_and_a_part_of_one_without_a_range() -> None:
    (far,) = told(f"{HEAD}[limits]\neast = -2000000\nwest = 5\n")
    assert far.endswith("-2000000 is beyond any actuator, -1000000 to 1000000 counts; correct it")
    (part,) = told(f"{HEAD}[limits]\neast = 4.5\nwest = 5\n")
    assert part.endswith("east: 4.5 is not a whole number; write a whole number")
