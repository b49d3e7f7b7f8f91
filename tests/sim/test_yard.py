"""Yards: Larkmere as its scenario says, and every mistake in a file told at once."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from bridge.errors import YardError
from sim.rig.dish import Dish
from sim.yard import parse_yard
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
