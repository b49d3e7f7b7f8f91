"""What a positioner keeps without power, and the journal of what it made of each frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from bridge.errors import YardError

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

    def forget_positions(self) -> None:
        self.positions.clear()

    def forget_limits(self, *, to_zero: bool = False) -> None:
        """Drop both limits; `to_zero` stores 0 for both, as some do, which refuses both ways."""
        self.east = self.west = 0 if to_zero else None
        self.limits_on = to_zero

    def dump(self) -> dict[str, object]:
        """As JSON holds it."""
        return {
            "count": self.count,
            "reference": self.reference,
            "positions": {str(number): count for number, count in sorted(self.positions.items())},
            "limits": {"east": self.east, "west": self.west, "on": self.limits_on},
            "selected": self.selected,
            "moving": self.moving,
            "lost": self.lost,
            "reset": self.was_reset,
        }

    @classmethod
    def load(cls, state: Mapping[str, object]) -> Memory:
        """From `dump`; YardError for anything else."""
        try:
            limits, positions = state.get("limits", {}), state.get("positions", {})
            if not isinstance(limits, Mapping) or not isinstance(positions, Mapping):
                raise TypeError("limits and positions are tables")  # noqa: TRY301 - told below
            return cls(
                count=_whole(state["count"]),
                reference=_whole(state.get("reference", 0)),
                positions={int(n): _whole(count) for n, count in positions.items()},
                east=_maybe(limits.get("east")),
                west=_maybe(limits.get("west")),
                limits_on=limits.get("on") is True,
                selected=_maybe(state.get("selected")),
                moving=state.get("moving") is True,
                lost=state.get("lost") is True,
                was_reset=state.get("reset") is True,
            )
        except (KeyError, TypeError, ValueError) as error:
            raise YardError(
                f"the kept state of the positioner cannot be read ({error}); delete it to begin"
                " from the yard's own start"
            ) from None


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError(f"{value!r} is not a whole count")
    return value


def _maybe(value: object) -> int | None:
    return None if value is None else _whole(value)
