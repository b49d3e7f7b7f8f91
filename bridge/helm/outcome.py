"""The outcome of a move: where the dish came to rest after it was sent to a place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.bus.command import Command, Drive, Goto, GotoAngle, Halt
from bridge.helm.snapshot import Activity, PositionRow
from bridge.log.record import Kind, LogEvent, Record

ARRIVES = 4  # counts off that coast (1-3) and backlash (1-4) leave (common practice)


def judge_rest(count: int | None, expected: int | None, *, halted: bool) -> LogEvent:
    """How a move ended that came to rest at `count`, sent to a place stored at `expected`.

    >>> judge_rest(482, 480, halted=False).value, judge_rest(None, 480, halted=False).value
    ('reached', 'unproved')
    """
    if halted:
        return LogEvent.HALTED
    if count is None or expected is None:
        return LogEvent.UNPROVED
    return LogEvent.REACHED if abs(count - expected) <= ARRIVES else LogEvent.OFF


@dataclass(slots=True)
class _Move:
    """A move to a place, `expected` being the count at which that was stored."""

    target: Goto | GotoAngle
    expected: int | None
    moved: bool = False
    halted: bool = False


class Outcome:
    """Follows one motion that has a place to end at, and reports once how it ended."""

    def __init__(self) -> None:
        self._move: _Move | None = None

    def sent(self, command: Command | None, positions: Sequence[PositionRow]) -> None:
        """A command was sent; another motion replaces the one before."""
        match command:
            case Halt():
                self.halt()
            case Drive():
                self._move = None
            case Goto(number):
                counts = {row.number: row.count for row in positions}
                self._move = _Move(command, counts.get(number))
            case GotoAngle():
                self._move = _Move(command, None)

    def halt(self) -> None:
        """The motion was halted; safe in any thread."""
        if move := self._move:
            move.halted = True

    def see(self, activity: Activity, count: int | None) -> Record | None:
        """The record of how it ended, once, when it has moved and is at rest."""
        move = self._move
        if move is None:
            return None
        if activity is Activity.DRIVING:
            move.moved = True
        if not move.moved or activity is not Activity.AT_REST:
            return None
        self._move = None
        event = judge_rest(count, move.expected, halted=move.halted)
        if isinstance(move.target, Goto):
            return Record(Kind.REST, event, position=move.target.number, expected=move.expected)
        place = f"{move.target.angle_deg:.4g} deg {move.target.side}"
        return Record(Kind.REST, event, detail=place)
