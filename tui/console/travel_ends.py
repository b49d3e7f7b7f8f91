"""How far to the next thing that stops the dish, in counts, and which side is which.

Counts grow westwards. One stands behind the dish and faces the equator: east is on the left in
the northern hemisphere and on the right in the southern.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.bus.command import Side
    from bridge.helm.snapshot import PositionRow, Scale, Snapshot


@dataclass(frozen=True, slots=True)
class TravelEnd:
    """Something that stops a drive, `distance` counts ahead (negative: already passed)."""

    what: str
    count: int
    distance: int


def other(side: Side) -> Side:
    """The opposite side.

    >>> other("east")
    'west'
    """
    return "west" if side == "east" else "east"


def left_side(hemisphere: str) -> Side:
    """The side on the left of a person behind the dish.

    >>> left_side("north"), left_side("south")
    ('east', 'west')
    """
    return "west" if hemisphere == "south" else "east"


def side_with_arrow(side: Side, hemisphere: str, *, double: bool = False) -> str:
    """Name a side with an arrow where it lies.

    >>> side_with_arrow("east", "north"), side_with_arrow("east", "south")
    ('◀ east', 'east ▶')
    """
    if side == left_side(hemisphere):
        return f"{'◀◀' if double else '◀'} {side}"
    return f"{side} {'▶▶' if double else '▶'}"


def count_of(row: PositionRow) -> int | None:
    """Where a position is: stored, or else predicted."""
    return row.count if row.count is not None else row.predicted


def next_stop(side: Side, snapshot: Snapshot, scale: Scale) -> TravelEnd | None:
    """The nearest known stop on a side, or None when none (or no count) is known.

    A soft limit that is switched off does not stop anything; one whose switch is not known is
    still named, since it may.
    """
    count = snapshot.count
    if count is None:
        return None
    limit = snapshot.limit_east if side == "east" else snapshot.limit_west
    end = scale.east_end if side == "east" else scale.west_end
    ahead = -1 if side == "east" else 1
    stops = []
    if limit is not None and snapshot.limits_on is not False:
        stops.append(TravelEnd(f"{side} limit", limit, (limit - count) * ahead))
    if end is not None:
        stops.append(TravelEnd(f"{side} end", end, (end - count) * ahead))
    return min(stops, key=lambda stop: stop.distance, default=None)


def describe_stop(side: Side, snapshot: Snapshot, scale: Scale, *, short: bool = False) -> str:
    """Say how far a side may be driven, in words; `short` leaves the side out."""
    if snapshot.count is None:
        return "no count"
    stop = next_stop(side, snapshot, scale)
    if stop is None:
        return "nothing known ahead"
    what = stop.what.removeprefix(f"{side} ") if short else f"the {stop.what}"
    if stop.distance < 0:
        return f"{-stop.distance} past {what} {stop.count}"
    if stop.distance == 0:
        return f"at {what} {stop.count}"
    return f"{stop.distance} to {what} {stop.count}"


def counts_to(count: int, target: int) -> str:
    """Say how far and which way a count is.

    >>> counts_to(609, 480), counts_to(609, 612), counts_to(5, 5)
    ('129 east', '3 west', 'here')
    """
    if target == count:
        return "here"
    return f"{abs(target - count)} {'east' if target < count else 'west'}"
