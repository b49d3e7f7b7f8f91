"""What is left of a dish when it is switched off, and what is in its memory when it comes back."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.errors import YardError
from sim.rig.faults import Effects
from sim.rig.machine import Machine
from sim.rig.positioner_memory import Memory

if TYPE_CHECKING:
    from sim.yard import Yard


@dataclass(frozen=True, slots=True)
class Place:
    """Where the metal is."""

    x: float
    play: float | None = None
    gap: int | None = None
    closed: bool = False

    @classmethod
    def of(cls, state: Mapping[str, object] | None, yard: Yard) -> Place:
        kept = None if state is None else state.get("dish")
        if kept is None:
            return cls(float(yard.start.count))
        if isinstance(kept, Mapping):
            x, play, gap = kept.get("actuator"), kept.get("clamp"), kept.get("gap")
            if (
                isinstance(x, int | float)
                and isinstance(play, int | float)
                and isinstance(gap, int)
            ):
                if yard.ends.east_stop <= x <= yard.ends.west_stop:
                    return cls(float(x), float(play), gap, kept.get("closed") is True)
                raise YardError(f"the kept state has the actuator at {x:g}, past the yard's stops")
        raise YardError("the kept state holds no place of the dish; delete it to begin anew")


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
    number = round(effects.neighbour)
    if number == 0 or number not in memory.positions:
        return
    rows = {row.number: row.longitude_deg for row in yard.position}
    own = rows.get(number)
    further = [
        (longitude, other)
        for other, longitude in rows.items()
        if own is not None and longitude is not None and longitude > own
    ]
    if further:
        memory.positions[number] = yard.taught_counts()[min(further)[1]]
