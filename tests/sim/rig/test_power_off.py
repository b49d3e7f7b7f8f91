"""What a dish keeps without power, and what it makes of a state that was saved."""

from __future__ import annotations

import pytest

from bridge.errors import YardError
from bridge.station.model import SoftLimits
from sim.rig.dish import Dish
from sim.rig.positioner_memory import Memory, MemoryState
from sim.rig.power_off import load_state
from sim.yard import Yard
from sim.yard_files import load_yard

LARKMERE = load_yard("larkmere")


def test_the_least_state_is_a_count() -> None:
    """Everything else is as in a positioner that was never taught."""
    memory = MemoryState.model_validate({"count": 480}).to_memory()
    assert memory == Memory(
        count=480,
        reference=0,
        positions={},
        east=None,
        west=None,
        limits_on=False,
        selected=None,
        moving=False,
        lost=False,
        was_reset=False,
    )


def test_a_memory_comes_back_whole() -> None:
    memory = Memory(480, 609, {7: 520, 2: 90}, 10, 990, True, 7, True, True, True)
    state = memory.to_state().model_dump(mode="json")
    assert state == {
        "count": 480,
        "reference": 609,
        "positions": {"2": 90, "7": 520},  # keys of JSON are text
        "limits": {"east": 10, "west": 990, "on": True},
        "selected": 7,
        "moving": True,
        "lost": True,
        "reset": True,
    }
    assert MemoryState.model_validate(state).to_memory() == memory


@pytest.mark.parametrize("state", [None, {}])
def test_nothing_saved_is_the_yards_own_start(state: dict[str, object] | None) -> None:
    loaded = load_state(state, LARKMERE)
    assert (loaded.positioner, loaded.dish) == (None, None)


@pytest.mark.parametrize("actuator", [-5.0, 1058.0])
def test_an_actuator_may_rest_on_its_stop(actuator: float) -> None:
    place = {"actuator": actuator, "clamp": actuator, "gap": 0}
    loaded = load_state({"dish": place}, LARKMERE)
    assert loaded.dish is not None
    assert (loaded.dish.actuator, loaded.dish.closed) == (actuator, False)


@pytest.mark.parametrize("actuator", [-5.5, 1058.5])
def test_an_actuator_past_its_stop_is_refused(actuator: float) -> None:
    place = {"actuator": actuator, "clamp": actuator, "gap": 0}
    with pytest.raises(YardError) as error:
        load_state({"dish": place}, LARKMERE)
    assert str(error.value) == (
        f"the saved state has the actuator at {actuator:g}, allowed are -5 to 1058 counts, the"
        " yard's stops; delete it to begin from the yard's own start"
    )


def test_a_state_that_cannot_be_read_names_its_key() -> None:
    with pytest.raises(YardError) as error:
        load_state({"positioner": {"count": 480, "limits": {"on": 3}}}, LARKMERE)
    assert str(error.value) == (
        "the saved state of the dish cannot be read (positioner.limits.on: Input should be a valid"
        " boolean); delete it to begin from the yard's own start"
    )


@pytest.mark.parametrize(("volts_on_s", "side"), [(3.0, "E0316900"), (3.0, "E0316800")])
def test_what_is_saved_in_motion_is_where_it_coasts_to(volts_on_s: float, side: str) -> None:
    """Saving changes nothing; switched off at the same moment the dish coasts to that place."""
    dish = Dish(LARKMERE)
    dish.hear(bytes.fromhex(side))
    dish.advance(volts_on_s)
    state = dish.dump()
    assert dish.machine.moving
    assert dish.positioner.travel.drive != 0
    dish.set_power(False)
    dish.advance(volts_on_s + 10.0)
    place = state["dish"]
    assert isinstance(place, dict)
    assert place["actuator"] == pytest.approx(dish.machine.x, abs=0.3)  # but for the gusts
    assert place == dish.dump()["dish"]
    memory = state["positioner"]
    assert isinstance(memory, dict)
    assert memory["moving"] is True


def taught(limits: SoftLimits | None) -> Yard:
    start = LARKMERE.start.model_copy(update={"taught": True})
    return LARKMERE.model_copy(update={"start": start, "limits": limits})


def test_a_taught_positioner_holds_the_list_and_its_limits() -> None:
    memory = Dish(taught(None)).positioner.memory
    assert memory.positions == LARKMERE.taught_counts()
    assert (memory.east, memory.west, memory.limits_on) == (None, None, False)
    memory = Dish(taught(SoftLimits(east=12, west=980))).positioner.memory
    assert (memory.east, memory.west, memory.limits_on) == (12, 980, True)


@pytest.mark.parametrize("number", [1, 5, 9])
def test_a_wrong_satellite_is_stored_where_the_next_one_to_the_east_is(number: int) -> None:
    """The list runs from east to west: the neighbour in the east has the number before."""
    counts = LARKMERE.taught_counts()
    positions = Dish(taught(None), faults=[f"wrong-satellite:{number}"]).positioner.memory.positions
    assert positions[number] == counts[max(1, number - 1)]  # nothing lies east of the first
    assert {n: c for n, c in positions.items() if n != number} == {
        n: c for n, c in counts.items() if n != number
    }
