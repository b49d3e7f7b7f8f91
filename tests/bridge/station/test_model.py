"""Station files read: what is right is taken, and everything wrong is told at once."""

from __future__ import annotations

import random
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from bridge.errors import YardError
from bridge.station.model import LinearMount, Station, WormMount, load_station
from bridge.textfile.checked import parse_checked

CONTRACT = """\
[station]
name = "Larkmere Test Yard"
latitude_deg = 44.60
longitude_deg = 3.90            # east positive
height_m = 210
obstacles = [ { azimuth_deg = [209, 212], elevation_deg = 35 } ]

[dish]
diameter_m = 1.2
frequency_ghz = 12.0

[mount]                          # kind = "linear" or "worm"
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976
noon_angle_deg = 90              # included angle at hour angle 0

[limits]
east = 45
west = 985

[positioner]
approach = "west"
passing = "inverted"

[[position]]
number = 1
name = "Alder"
longitude_deg = 41.2
count = 94
horizontal_deg = -45.0
vertical_deg = 45.0
peaked = 2026-05-04              # optional
note = ""
"""

TWELVE = """\
[station]
latitude_deg = 90
longitude_deg = 355
heigth_m = 210
obstacles = [ { azimuth_deg = [350, 10], elevation_deg = 20 },
              { azimuth_deg = [20, 20], elevation_deg = 20 } ]

[dish]
diameter_m = 120
frequency_ghz = 12,0

[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976

[limits]
east = 985
west = 45

[[position]]
number = 1
name = "Alder"
count = 1400

[[position]]
number = 1
name = "Birch"
longitude_deg = "35.4"

[[position]]
number = 300
peaked = 04.05.2026
"""
# line, key, value, what is allowed, what to do
EXPECTED = [
    (2, "station.latitude_deg", "90", "81.33 deg north or south", "correct it"),
    (3, "station.longitude_deg", "355", "within -180 to 180 deg", "write -5"),
    (4, "station.heigth_m", "", "is not a key here", "write height_m"),
    (6, "station.obstacles.2", "20", "no width", "give both edges"),
    (9, "dish.diameter_m", "120", "over 0.1 and up to 50 m", "so 120 cm is 1.2"),
    (10, "frequency_ghz", "12,0", "decimal comma", "write 12.0"),
    (20, "limits", "985", "below west 45", "swap them"),
    (27, "position.1.count", "1400", "0 to 1058 counts", "teach it again"),
    (30, "position.2.number", "1", "of Alder on line 25 and of Birch on line 30", "each its own"),
    (32, "position.2.longitude_deg", '"35.4"', "is not a number", "without quotes"),
    (34, "position.3.name", "", "is missing", "add it"),
    (35, "position.3.number", "300", "within 1 to 255", "the bus carries no other"),
    (36, "peaked", "04.05.2026", "is not a date", "write 2026-05-04"),
]


def refusal(text: str) -> list[str]:
    with pytest.raises(YardError) as refused:
        parse_checked(text, "yard.toml", Station)
    return str(refused.value).splitlines()


def test_the_contract_s_own_example() -> None:
    station = parse_checked(CONTRACT, "yard.toml", Station)
    assert station.station.height_m == 210
    assert station.station.obstacles[0].azimuth_deg == (209, 212)
    assert isinstance(station.mount, LinearMount)
    assert round(station.mount.stroke_counts) == 1058
    assert station.positioner.approach == "west"
    assert station.position[0].peaked == date(2026, 5, 4)


def test_what_may_be_missing() -> None:
    text = '[station]\nlatitude_deg = -44\nlongitude_deg = 4\n[[position]]\nnumber=7\nname="A"'
    station = parse_checked(text, "yard.toml", Station)
    assert (station.dish, station.mount, station.limits) == (None, None, None)
    assert station.position[0].count is None
    assert station.positioner.passing is None
    worm = text + '\n[mount]\nkind = "worm"\ncounts_per_deg = 20\nnoon_count = 1200'
    assert isinstance(parse_checked(worm, "yard.toml", Station).mount, WormMount)


def test_thirteen_mistakes_give_thirteen_sentences() -> None:
    told = refusal(TWELVE)
    assert len(told) == len(EXPECTED)
    for sentence, (line, key, *parts) in zip(told, EXPECTED, strict=True):
        assert sentence.startswith(f"yard.toml:{line}: {key}: ")
        for part in parts:
            assert part in sentence


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("latitude_deg = 44.60", "latitude_deg = 144.6", 3, "144.6 is not within -90 to 90 deg"),
        ("latitude_deg = 44.60", "latitude_deg = 44.6N", 3, "so write 44.6"),
        ("longitude_deg = 3.90", "longitude_deg = 3,9W", 4, "so write -3.9"),
        ("longitude_deg = 3.90", "longitude_deg = true", 4, "true is not a number"),
        ("longitude_deg = 3.90", "longitude_deg = nan", 4, "nan is not"),
        ("height_m = 210", "height_m = 210 m", 5, "leave the unit out"),
        ("height_m = 210", "height_m = inf", 5, "inf is not"),
        ("height_m = 210", "height_m = 007", 5, "write digits before and after the point"),
        ("height_m = 210", f"height_m = 1{'0' * 400}", 5, "is not"),
        ("[209, 212]", "[209]", 6, "azimuth_deg: holds too few values; write 2"),
        ("[209, 212]", "[209, 212, 215]", 6, "holds 3 values; write 2"),
        ("[209, 212]", "209", 6, "209 is not a list"),
        ("[209, 212]", "[209, 361]", 6, "361 is not within 0 to 360 deg"),
        ("elevation_deg = 35 }", "elevation_deg = 95 }", 6, "0 is level, 90 straight up"),
        ("diameter_m = 1.2", "", 8, "dish.diameter_m: is missing; add it: metres"),
        ("diameter_m = 1.2", "diameter_m = ", 9, "has no value"),
        ("diameter_m = 1.2", "diameter_m = 1.2\ndiameter_m = 1.3", 10, "stands twice"),
        ('kind = "linear"', 'kind = "screw"', 13, '"linear" or "worm"'),
        ('kind = "linear"', "", 12, 'is missing; write kind = "linear" or "worm"'),
        ('kind = "linear"', "kind = linear", 13, 'put text between quotes, kind = "linear"'),
        ("retracted_mm = 350", "retracted_mm = 80", 16, "only from 90 to 950 mm"),
        ("stroke_mm = 560", "stroke_mm = 660", 17, "actuator out it is 1010 mm long"),
        ("counts_per_mm = 1.88976", "counts_per_mm = 0", 18, "0 is not over 0"),
        ("noon_angle_deg = 90 ", "noon_angle_deg = 180 ", 19, "is not over 0 and under 180 deg"),
        ("east = 45", "east = 4.5", 22, "4.5 is not a whole number"),
        ("west = 985", "west = 1185", 23, "beyond the stroke, 0 to 1058 counts; set it again"),
        ('approach = "west"', 'approach = "up"', 26, '"up" is not one of east, west, either'),
        ("[[position]]", "[position]", 29, "is one table; write [[position]]"),
        ("[station]", "[[station]]", 1, "is a list; write [station] once"),
        ('name = "Alder"', r'name = "Al\nder"', 31, "control character"),
        ('name = "Alder"', "name = 5", 31, "5 is not text; put it between quotes"),
        ("number = 1", "number = 0", 30, "0 is not within 1 to 255"),
        ("longitude_deg = 41.2", "longitude_deg = -190", 32, "write 170"),
        ("longitude_deg = 41.2", "longitude_deg = 1e9", 32, "is not within -180 to 180"),
        ("peaked = 2026-05-04", "peaked = 2026-13-04", 36, "2026-13-04 cannot be read"),
        ("peaked = 2026-05-04", 'peaked = "May"', 36, '"May" is not a date; write it as 2026-05'),
        ('note = ""', 'note = "x', 37, "cannot be read"),
        ("[limits]", "[limits", 21, "not TOML"),
        ("[limits]", "[dish]", 21, "not TOML"),
    ],
)
def test_each_mistake_has_its_sentence(old: str, new: str, line: int, says: str) -> None:
    assert old in CONTRACT
    told = refusal(CONTRACT.replace(old, new))
    assert len(told) == 1, told
    assert told[0].startswith(f"yard.toml:{line}: ")
    assert says in told[0]
    assert told[0].split(": ", 1)[1].count(";") >= (0 if "not TOML" in says else 1)


def test_a_site_at_the_pole_is_told_why() -> None:
    [told] = refusal("[station]\nlatitude_deg = -90\nlongitude_deg = 0\n")
    assert "-90 deg sees no satellite of the belt" in told


def test_an_obstacle_may_wrap_north() -> None:
    text = CONTRACT.replace("[209, 212]", "[350, 10]")
    assert parse_checked(text, "a", Station).station.obstacles[0].azimuth_deg == (350, 10)


def test_a_stroke_measured_by_tape_has_some_slack() -> None:
    beyond = CONTRACT.replace("count = 94", "count = 1066")  # 8 counts, 4 mm
    assert parse_checked(beyond, "a", Station).position[0].count == 1066
    assert "beyond the stroke" in refusal(CONTRACT.replace("count = 94", "count = 1069"))[0]


def test_more_positions_than_many_hold_is_a_warning() -> None:
    station = parse_checked(CONTRACT.replace("number = 1", "number = 120"), "a", Station)
    assert "many positioners hold 99" in station.warnings()[0]


def test_no_file_and_no_text(tmp_path: Path) -> None:
    with pytest.raises(YardError, match="no such file"):
        load_station(tmp_path / "none.toml")
    with pytest.raises(YardError, match="cannot be read"):
        load_station(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes("[station]\nname = 'Hügel'".encode("latin-1"))
    with pytest.raises(YardError, match="byte 19 is not UTF-8"):
        load_station(latin)
    assert refusal("") == [
        "yard.toml:1: station: is missing; add [station] with latitude_deg, longitude_deg"
    ]
    assert "nest too deeply" in refusal("a = " + "[" * 5000)[0]


@given(st.integers(0, 2**32))
def test_a_damaged_file_is_told_of_or_is_still_a_station(seed: int) -> None:
    rng = random.Random(seed)
    text = list(CONTRACT)
    for _ in range(rng.randint(1, 6)):
        at = rng.randrange(len(text))
        text[at : at + rng.randint(0, 3)] = rng.choice(
            ["", "=", "[", '"', "\n", "9", "é", "]]", "#"]
        )
    damaged = "".join(text)
    try:
        station = parse_checked(damaged, "yard.toml", Station)
    except YardError as error:
        lines = damaged.count("\n") + 1
        for sentence in str(error).splitlines():
            where, line, _ = sentence.split(":", 2)
            assert where == "yard.toml"
            assert 1 <= int(line) <= lines
    else:
        assert station == Station.model_validate(tomllib.loads(damaged))


@given(
    st.dictionaries(
        st.sampled_from(["station", "mount", "limits", "position", "x"]),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
            lambda inner: (
                st.lists(inner, max_size=2)
                | st.dictionaries(
                    st.sampled_from(["number", "count", "name", "east", "kind"]), inner, max_size=3
                )
            ),
            max_leaves=6,
        ),
        max_size=4,
    )
)
def test_conflicts_are_looked_for_in_any_data(data: dict[str, object]) -> None:
    from bridge.textfile.mistakes import TomlText

    list(Station.conflicts(data, TomlText.of("", "yard.toml")))
    with pytest.raises(ValidationError):
        Station.model_validate(data)
