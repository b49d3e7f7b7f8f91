"""What is left of a dish without power, and what is in its memory when power comes back."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, ValidationError

from bridge.errors import YardError
from sim.rig.faults import Effects
from sim.rig.machine import Machine
from sim.rig.positioner_memory import Memory, MemoryState

if TYPE_CHECKING:
    from sim.yard import Yard


class PlaceState(BaseModel):
    """Where the metal is: places in counts, and the contact of the reed."""

    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False)

    actuator: float
    clamp: float
    gap: int
    closed: bool = False


class DishState(BaseModel):
    """All that is left of a dish without power."""

    model_config = ConfigDict(strict=True, frozen=True)

    positioner: MemoryState | None = None
    dish: PlaceState | None = None


def load_state(state: Mapping[str, object] | None, yard: Yard) -> DishState:
    """What was saved of a dish; all None where nothing was.

    Raises YardError for a state that cannot be read, or that lies past the yard's stops.
    """
    try:
        loaded = DishState.model_validate(state or {})
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        raise YardError(
            f"the saved state of the dish cannot be read ({key}: {first['msg']}); delete it to"
            " begin from the yard's own start"
        ) from None
    place, ends = loaded.dish, yard.ends
    if place is not None and not ends.east_stop <= place.actuator <= ends.west_stop:
        raise YardError(
            f"the saved state has the actuator at {place.actuator:g}, allowed are"
            f" {ends.east_stop:g} to {ends.west_stop:g} counts, the yard's stops; delete it to"
            " begin from the yard's own start"
        )
    return loaded


def coasted(machine: Machine, t_s: float) -> Machine:
    """A copy of a machine run to rest without power."""
    owner, machine.on_edge = machine.on_edge, None
    try:
        twin = copy.deepcopy(machine)
    finally:
        machine.on_edge = owner
    twin.set_drive(t_s, 0)
    while twin.moving:
        twin.step()
    return twin


def teach(memory: Memory, yard: Yard) -> None:
    """Put the yard's whole list and its limits into a positioner's memory."""
    memory.positions.update(yard.taught_counts())
    if yard.limits is not None:
        memory.east, memory.west = yard.limits.east, yard.limits.west
    memory.limits_on = yard.limits is not None


def store_on_neighbour(memory: Memory, yard: Yard, effects: Effects) -> None:
    """Store a position where its eastern neighbour is, as the fault says."""
    number = round(effects.neighbour)
    if number == 0 or number not in memory.positions:
        return
    rows = {row.number: row.longitude_deg for row in yard.position}
    longitude_deg = rows.get(number)
    further = [
        (other_deg, other)
        for other, other_deg in rows.items()
        if longitude_deg is not None and other_deg is not None and other_deg > longitude_deg
    ]
    if further:
        memory.positions[number] = yard.taught_counts()[min(further)[1]]
