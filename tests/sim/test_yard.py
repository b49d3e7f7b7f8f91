"""Yards: Larkmere as its scenario says, and every mistake in a file at once."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from bridge.errors import YardError
from bridge.textfile.checked import Table
from sim.rig.dish import Dish
from sim.yard import PositionerTable, RigTable, SkyTable, parse_yard
from sim.yard_files import list_yards, load_yard

TEXT = (resources.files("sim") / "yards" / "larkmere.toml").read_text(encoding="utf-8")


def refusal(text: str) -> list[str]:
    with pytest.raises(YardError) as error:
        parse_yard(text, "yard.toml")
    return str(error.value).splitlines()


def test_larkmere_is_listed_and_loads() -> None:
    assert "larkmere" in list_yards()
    assert load_yard("larkmere").station.name == "Larkmere Test Yard"


def test_larkmere_has_the_geometry_of_its_scenario() -> None:
    """Hour angles of the ends and of the fence from the triangle (computed)."""
    yard = load_yard("larkmere")
    assert yard.linkage.hour_angle_deg(0) == pytest.approx(-48.1, abs=0.05)
    assert yard.linkage.hour_angle_deg(1000) == pytest.approx(45.3, abs=0.05)
    assert yard.linkage.hour_angle_deg(1010) == pytest.approx(47.0, abs=0.05)
    counts = yard.taught_counts()
    # the scenario's table stands on a sphere; the yard on the ellipsoid
    scenario = [94, 181, 257, 331, 376, 440, 480, 532, 570, 609, 653, 700, 750, 804, 857, 942]
    assert [counts[n] for n in range(1, 17)] == pytest.approx(scenario, abs=1)


def test_larkmere_runs_as_its_readings() -> None:
    motor = load_yard("larkmere").motor
    assert motor.stall_a == 9.0
    free = motor.free_speed_rad_s(36.0) * motor.counts_per_rad
    assert free == pytest.approx(4.0 / 25.4 * 48)


def test_a_yard_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(TEXT, encoding="utf-8")
    assert load_yard(str(path)).station.name == "Larkmere Test Yard"


def test_a_worm_drive() -> None:
    head, _, rest = TEXT.partition("[mount]")
    _, _, rest = rest.partition("[rig]")
    worm = '[mount]\nkind = "worm"\ncounts_per_deg = 11\nnoon_count = 520\n\n[rig]'
    text = head + worm + rest.replace("speed_mm_s = 4.0", "speed_deg_s = 0.55")
    yard = parse_yard(text, "worm.toml")
    assert yard.linkage.count(10.0) == 630
    free = yard.motor.free_speed_rad_s(36.0) * yard.motor.counts_per_rad
    assert free == pytest.approx(6.05)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("backlash_counts = 3.0", "backlash = 3.0", "rig.backlash", "is not a key here"),
        ("stroke_mm = 560", "stroke_mm = 700", "mount", "triangle"),
        ("west_switch = 1000", "west_switch = -20", "ends.west_switch", "is not west of"),
        ("west_switch = 1000", "west_switch = 1200", "ends.west_switch", "past the stroke"),
        ("count = 500", "count = 5000", "start.count", "is outside -5 to 1058 counts"),
        ("speed_mm_s = 4.0", "speed_deg_s = 1.0", "rig.speed_mm_s", "is missing"),
        ("0.020] ]", "0.200] ]", "rig.weight", "would run away"),
        ("[609, 0.0], [1000", "[609, 0.0], [300", "rig.weight", "do not grow"),
        ("running_a = 1.4", "running_a = 9.5", "rig", "leaves no voltage"),
        ("trip_a = 5.0", "trip_a = 1.0", "rig.trip_a", "not over running_a"),
        ("supply_v = 36", "supply_v = inf", "rig.supply_v", "finite"),
        ("supply_v = 36", "inductance_mh = 90", "rig.inductance_mh", "too slow"),
        ("longitude_deg = 3.90 ", "longitude_deg = 179.0 ", "station", "sees no satellite"),
        ("[start]", "[limits]\neast = -3\nwest = 985\n[start]", "limits.east", "end switches"),
        ("stall_s = 3.0", 'manners = ["sings"]', "positioner.manners.1", "sings"),
    ],
)
def test_a_yard_that_cannot_exist_is_refused(old: str, new: str, key: str, says: str) -> None:
    assert old in TEXT
    lines = refusal(TEXT.replace(old, new))
    told = [line for line in lines if f": {key}" in line]
    assert told, lines
    assert any(says in line for line in told)
    assert told[0].startswith("yard.toml:")


def test_every_mistake_at_once_with_its_line() -> None:
    text = TEXT.replace("backlash_counts = 3.0", "backlash = 3.0")
    text = text.replace("latitude_deg = 44.60", "latitude_deg = 144.60")
    text = text.replace('name = "Elm"', "name = 5")
    lines = refusal(text)
    assert len(lines) == 3
    row = next(n for n, line in enumerate(text.splitlines(), 1) if line.startswith("backlash"))
    assert any(line.startswith(f"yard.toml:{row}: rig.backlash:") for line in lines)
    both = TEXT.replace("west_switch = 1000", "west_switch = -20").replace(
        "count = 500", "count = 5000"
    )
    assert len(refusal(both)) >= 2


@pytest.mark.parametrize("name", ["nowhere", "", "no/such.toml"])
def test_an_unknown_yard_says_what_there_is(name: str) -> None:
    with pytest.raises(YardError) as error:
        load_yard(name)
    assert "\n" not in str(error.value)


def test_not_toml() -> None:
    assert refusal("[rig\n")[0].startswith("yard.toml:")


STATION = """
[station]
latitude_deg = 44.6
longitude_deg = 3.9
[dish]
diameter_m = 1.2
[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976
[limits]
east = 45
west = 985
[positioner]
approach = "west"
[[position]]
number = 1
name = "Alder"
longitude_deg = 41.2
count = 94
"""


def test_a_station_without_a_rig_gets_a_usual_one(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(STATION, encoding="utf-8")
    yard = load_yard(str(path))
    assert (yard.ends.east_switch, yard.ends.west_switch) == (35.0, 995.0)
    dish = Dish(yard)
    memory = dish.positioner.memory
    assert (memory.positions, memory.east, memory.west) == ({1: 94}, 45, 985)
    dish.hear(bytes.fromhex("E0316B01"))
    dish.advance(120.0)
    assert memory.count == 94
    assert dish.positioner.travel.polarity == 1  # arrived going west, as the file says
    worm = STATION[: STATION.index("[mount]")] + (
        '[mount]\nkind = "worm"\ncounts_per_deg = 20\nnoon_count = 1200\n'
    )
    path.write_text(worm, encoding="utf-8")
    assert load_yard(str(path)).ends.west_switch == 2700.0


def test_ends_that_a_station_knows_are_where_its_usual_rig_ends(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(STATION.replace("[limits]", "[ends]\nwest = 991\n[limits]"), encoding="utf-8")
    yard = load_yard(str(path))
    assert (yard.ends.east_switch, yard.ends.west_switch) == (35.0, 991.0)
    dish = Dish(yard)
    dish.hear(bytes.fromhex("E03163"))  # limits off
    dish.hear(bytes.fromhex("E0316900"))
    dish.advance(300.0)
    assert dish.positioner.memory.count == pytest.approx(991, abs=3)


def test_a_file_that_cannot_be_read_is_told_as_a_station(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(STATION.replace("41.2", "41.2E").replace("94", "9x"), encoding="utf-8")
    with pytest.raises(YardError) as error:
        load_yard(str(path))
    assert len(str(error.value).splitlines()) == 2


def test_a_station_without_a_mount_makes_no_rig(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(STATION[: STATION.index("[dish]")], encoding="utf-8")
    with pytest.raises(YardError) as error:
        load_yard(str(path))
    assert [line.split(": ")[1] for line in str(error.value).splitlines()] == ["mount", "dish"]


def test_every_yard_that_comes_with_it_can_be_lived_in() -> None:
    for name in list_yards():
        dish = Dish(load_yard(name))
        start = dish.positioner.memory.count
        for frame in ("E0316903", "E0316803", "E03169FF", "E03168FF"):
            dish.hear(bytes.fromhex(frame))
            dish.advance(dish.time_s + 6.0)
        assert dish.readings().pulses > 10
        assert dish.count_error == 0
        assert abs(dish.positioner.memory.count - start) <= 8


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            "fence = 1010",
            "fence = 0",
            "ends.fence: 0 is not west of ends.east_switch; leave it out",
        ),
        ("count = 500", "count = -5", "start.count: -5 is outside -5 to 1058 counts"),
        ("count = 500", "count = 1058", "start.count: 1058 is outside -5 to 1058 counts"),
        (
            "trip_a = 5.0",
            "trip_a = 1.4",
            "rig.trip_a: 1.4 A is not over running_a; nothing would move",
        ),
        (
            "trip_a = 5.0",
            "magnet_closes = 0.28",
            "rig.magnet_opens: 0.28 is not over magnet_closes 0.28; a contact opens farther from"
            " the magnet than it closes",
        ),
        (
            "east_stop = -5",
            "east_stop = 0",
            "ends.east_switch: 0 is not west of ends.east_stop 0; counts grow west",
        ),
        (
            "west_stop = 1058",
            "west_stop = 1000",
            "ends.west_stop: 1000 is not west of ends.west_switch 1000; counts grow west",
        ),
        (
            "[start]",
            "[limits]\neast = 10\nwest = 1000\n[start]",
            "limits.west: 1000 is outside the end switches, 0 to 1000; set soft limits inside them",
        ),
        (
            "[start]",
            "[limits]\neast = 0\nwest = 990\n[start]",
            "limits.east: 0 is outside the end switches, 0 to 1000; set soft limits inside them",
        ),
    ],
)
def test_what_lies_just_at_its_bound_is_refused(old: str, new: str, line: str) -> None:
    assert old in TEXT
    assert any(line in each for each in refusal(TEXT.replace(old, new)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("fence = 1010", "fence = 1"),
        ("count = 500", "count = -4"),
        ("count = 500", "count = 1057"),
        ("trip_a = 5.0", "trip_a = 1.41"),
        ("trip_a = 5.0", "magnet_closes = 0.279"),
        ("[start]", "[limits]\neast = 1\nwest = 999\n[start]"),
        ("west_switch = 1000", "west_switch = 1057"),
    ],
)
def test_what_lies_just_inside_its_bound_is_a_yard(old: str, new: str) -> None:
    assert old in TEXT
    parse_yard(TEXT.replace(old, new), "yard.toml")


def test_a_rig_of_which_nothing_is_measured_is_a_usual_one() -> None:
    """36 V, 3 and 1 ohm, 1.4 A running, 5 A for 0.6 s, play of 1-4 counts (common practice)."""
    rig = RigTable()
    assert (rig.feed, rig.supply_v, rig.winding_ohm, rig.supply_ohm) == ("own", 36.0, 3.0, 1.0)
    assert (rig.ke, rig.viscous_nms, rig.static_ratio) == (0.105, 2e-5, 1.1)
    assert (rig.running_a, rig.trip_a, rig.trip_s, rig.free_a) == (1.4, 5.0, 0.6, 0.6)
    assert (rig.coast_counts, rig.backlash_counts, rig.brake) == (2.0, 3.0, False)
    assert (rig.gust_nm, rig.gust_s, rig.inductance_mh, rig.weight) == (0.0, 8.0, 0.0, ())
    assert (rig.magnet_closes, rig.magnet_opens) == (0.20, 0.28)


def test_a_positioner_of_which_nothing_is_known_has_no_manners() -> None:
    """It settles 0.6 s before it reverses and gives up 3 s after the last pulse, as is usual."""
    table = PositionerTable()
    assert (table.counting, table.passing, table.approach) == ("approach", "passed", "either")
    assert (table.coast_counts, table.retries, table.approach_counts) == (2, 1, 8)
    assert (table.nudge_s, table.quiet_s, table.reverse_s, table.stall_s) == (0.09, 0.6, 0.6, 3.0)
    assert (table.most_positions, table.two_way, table.angles) == (99, True, False)
    assert (table.reference, table.reset_forgets, table.manners) == (0, (), ())


# What a person may write: key, lowest, highest, and whether the lowest itself is allowed.
BOUNDS = [
    (RigTable, "speed_mm_s", 0, 50, False),
    (RigTable, "speed_deg_s", 0, 20, False),
    (RigTable, "coast_counts", 0, 50, False),
    (RigTable, "running_a", 0, 20, False),
    (RigTable, "supply_v", 0, 60, False),
    (RigTable, "winding_ohm", 0, 100, False),
    (RigTable, "supply_ohm", 0, 100, True),
    (RigTable, "inductance_mh", 0, 100, True),
    (RigTable, "ke", 0, 10, False),
    (RigTable, "static_ratio", 1, 3, True),
    (RigTable, "free_a", 0, 20, False),
    (RigTable, "trip_a", 0, 50, False),
    (RigTable, "trip_s", 0, 10, False),
    (RigTable, "backlash_counts", 0, 50, True),
    (RigTable, "gust_s", 0.5, 600, True),
    (PositionerTable, "coast_counts", 0, 50, True),
    (PositionerTable, "nudge_s", 0, 1, False),
    (PositionerTable, "quiet_s", 0.1, 5, True),
    (PositionerTable, "reverse_s", 0, 10, True),
    (PositionerTable, "stall_s", 0.5, 30, True),
    (PositionerTable, "retries", 0, 5, True),
    (PositionerTable, "approach_counts", 1, 100, True),
    (PositionerTable, "most_positions", 1, 255, True),
    (SkyTable, "eirp_dbw", 0, 80, True),
    (SkyTable, "rain_db", 0, 30, True),
]


@pytest.mark.parametrize(("table", "key", "low", "high", "closed"), BOUNDS)
def test_a_number_is_taken_within_its_bounds_only(
    table: type[Table], key: str, low: float, high: float, closed: bool
) -> None:
    whole = table.model_fields[key].annotation is int
    bit = 1 if whole else 0.01
    for value in (low if closed else low + bit, high):
        assert getattr(table.model_validate({key: value}), key) == value
    for value in (low - bit if closed else low, high + bit):
        with pytest.raises(ValidationError):
            table.model_validate({key: value})


@pytest.mark.parametrize("millihenry", [5.0, 20.0, 26.0, 28.0, 30.0, 31.0, 32.0, 34.0, 40.0])
def test_a_current_that_settles_ten_times_faster_than_the_speed_is_quick_enough(
    millihenry: float,
) -> None:
    """Both time constants from the roots of L J s2 + (L b + R J) s + R b + K2."""
    motor = load_yard("larkmere").motor
    henry, inertia, drag = millihenry / 1000.0, motor.inertia_kgm2, 2e-5
    poles = np.roots([henry * inertia, henry * drag + 4.0 * inertia, 4.0 * drag + 0.105**2])
    ratio = max(abs(poles.real)) / min(abs(poles.real))
    text = TEXT.replace("supply_v = 36", f"supply_v = 36\ninductance_mh = {millihenry}")
    if ratio < 10.0:
        assert any("rig.inductance_mh" in line for line in refusal(text))
    else:
        parse_yard(text, "yard.toml")


@pytest.mark.parametrize(("approach", "side"), [("east", -1), ("west", 1), ("either", 0)])
def test_the_side_of_arrival_grows_west_as_counts_do(approach: str, side: int) -> None:
    yard = load_yard("larkmere")
    table = yard.positioner.model_copy(update={"approach": approach})
    personality = yard.model_copy(update={"positioner": table}).personality()
    assert personality.habits.approach == side
