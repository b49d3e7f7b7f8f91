"""What a positioner keeps without power, and the journal of what it made of each frame."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Outcome = Literal["moved", "stored", "set", "ignored", "refused", "answered"]
EndedBy = Literal["target", "halt", "time-out", "soft limit", "end switch", "stall", "next command"]


@dataclass(slots=True)
class Entry:
    """One frame heard: what came of it. `count_after` and `ended_by` follow when a move is over."""

    time_s: float
    hex: str
    outcome: Outcome
    reason: str
    count_before: int
    count_after: int
    ended_by: EndedBy | None = None
    reply_hex: str | None = None


@dataclass(slots=True)
class Memory:
    """Counter, positions and limits; `moving` is set on the way and cleared when all is quiet.

    Power that comes back to a set `moving` means pulses may have passed unseen: `lost` is set.
    """

    count: int = 0
    reference: int = 0
    positions: dict[int, int] = field(default_factory=dict)
    east: int | None = None
    west: int | None = None
    limits_on: bool = False
    selected: int | None = None  # the position last stored or gone to: its feed angles are in use
    moving: bool = False
    lost: bool = False
    was_reset: bool = False

    def store(self, number: int) -> None:
        """Store the present count as a position; limits that were off are on again after it.

        Command 6A (EUTELSAT, Positioner Application Note 1.0, from memory).

        >>> memory = Memory(count=527); memory.store(7); memory.positions, memory.limits_on
        ({7: 527}, True)
        """
        self.positions[number] = self.count
        self.selected = number
        self.limits_on = True

    def forget_positions(self) -> None:
        """Drop every stored position."""
        self.positions.clear()

    def forget_limits(self, *, to_zero: bool = False) -> None:
        """Drop both limits; `to_zero` stores 0 for both, as some do, which refuses both ways."""
        self.east = self.west = 0 if to_zero else None
        self.limits_on = to_zero

    def to_state(self) -> MemoryState:
        """What is saved of it."""
        return MemoryState(
            count=self.count,
            reference=self.reference,
            positions=dict(sorted(self.positions.items())),
            limits=LimitsState(east=self.east, west=self.west, on=self.limits_on),
            selected=self.selected,
            moving=self.moving,
            lost=self.lost,
            reset=self.was_reset,
        )


class _State(BaseModel):
    """Saved state: whole numbers are whole, and keys that nobody knows are left alone."""

    model_config = ConfigDict(strict=True, frozen=True)


class LimitsState(_State):
    """Soft limits as they are saved."""

    east: int | None = None
    west: int | None = None
    on: bool = False


class MemoryState(_State):
    """A positioner's memory as it is saved."""

    count: int
    reference: int = 0
    positions: dict[Annotated[int, Field(strict=False)], int] = {}  # keys of JSON are text
    limits: LimitsState = LimitsState()
    selected: int | None = None
    moving: bool = False
    lost: bool = False
    reset: bool = False

    def to_memory(self) -> Memory:
        """The memory of a positioner that starts from this state."""
        return Memory(
            count=self.count,
            reference=self.reference,
            positions=dict(self.positions),
            east=self.limits.east,
            west=self.limits.west,
            limits_on=self.limits.on,
            selected=self.selected,
            moving=self.moving,
            lost=self.lost,
            was_reset=self.reset,
        )
