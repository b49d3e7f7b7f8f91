"""What a sent command should have changed in the positioner, as far as anyone can know.

A one-way bus confirms nothing: these are beliefs, to be shown as "sent".
"""

from __future__ import annotations

from dataclasses import replace

from bridge.bus.command import Command, Drive, Goto, Limits, SetLimit, Store
from bridge.bus.meaning import plural
from bridge.helm.snapshot import PositionRow, Snapshot


def after(command: Command | None, now: Snapshot) -> dict[str, object]:
    """Fields of the snapshot that `command` should have changed."""
    match command:
        case SetLimit("east"):
            return {"limit_east": now.count, "limits_on": True}
        case SetLimit("west"):
            return {"limit_west": now.count, "limits_on": True}
        case Limits(on):
            return {"limits_on": on}
        case Store(number):
            return {"limits_on": True, "positions": _stored(number, now)}
        case _:
            return {}


def _stored(number: int, now: Snapshot) -> tuple[PositionRow, ...]:
    rows = {row.number: row for row in now.positions}
    known = rows.get(number, PositionRow(number, f"position {number}"))
    rows[number] = replace(known, count=now.count)
    return tuple(rows[key] for key in sorted(rows))


def bound_words(command: Command | None) -> str:
    """How far a motion goes, in words that follow `driving west,`."""
    match command:
        case Drive(counts=int(counts)):
            return plural(counts, "count")
        case Drive(seconds=int(seconds)):
            return f"at most {seconds} s"
        case Goto(0):
            return "to the reference"
        case Goto(number):
            return f"to position {number}"
        case _:
            return ""
