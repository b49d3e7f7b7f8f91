"""What a sent command should have changed in the positioner, as far as anyone can know.

A one-way bus confirms nothing: these are beliefs, to be shown as "sent".
"""

from __future__ import annotations

from dataclasses import replace

from bridge.bus.command import Command, Limits, SetLimit, Store
from bridge.helm.snapshot import PositionRow, Snapshot


def believe(command: Command | None, now: Snapshot) -> Snapshot:
    """The snapshot with what `command` should have changed."""
    match command:
        case SetLimit("east"):
            return replace(now, limit_east=now.count, limits_on=True)
        case SetLimit("west"):
            return replace(now, limit_west=now.count, limits_on=True)
        case Limits(on):
            return replace(now, limits_on=on)
        case Store(number):
            return replace(now, limits_on=True, positions=_stored(number, now))
        case _:
            return now


def _stored(number: int, now: Snapshot) -> tuple[PositionRow, ...]:
    """The list with `number` stored at the present count, in the order of its numbers."""
    rows = {row.number: row for row in now.positions}
    known = rows.get(number, PositionRow(number, f"position {number}"))
    rows[number] = replace(known, count=now.count)
    return tuple(rows[key] for key in sorted(rows))
