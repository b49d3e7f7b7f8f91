"""The outcome of a move: where the dish came to rest after it was sent to a place."""

from __future__ import annotations

from collections.abc import Sequence

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


class Outcome:
    """Follows one motion that has a place to end at, and reports once how it ended."""

    def __init__(self) -> None:
        self._target: Goto | GotoAngle | None = None
        self._expected: int | None = None
        self._moved = False
        self._halted = False

    def sent(self, command: Command | None, positions: Sequence[PositionRow]) -> None:
        """A command was sent; another motion replaces the one before."""
        if isinstance(command, Halt):
            self.halt()
        if not isinstance(command, Goto | GotoAngle | Drive):
            return
        self._target = None if isinstance(command, Drive) else command
        self._expected = next(
            (row.count for row in positions if row.number == getattr(command, "number", None)), None
        )
        self._moved = self._halted = False

    def halt(self) -> None:
        """The motion was halted; safe in any thread."""
        self._halted = True

    def see(self, activity: Activity, count: int | None) -> Record | None:
        """The record of how it ended, once, when it has moved and is at rest."""
        if self._target is None:
            return None
        if activity is Activity.DRIVING:
            self._moved = True
        if not self._moved or activity is not Activity.AT_REST:
            return None
        target, self._target = self._target, None
        event = judge_rest(count, self._expected, halted=self._halted)
        if isinstance(target, Goto):
            return Record(Kind.REST, event, position=target.number, expected=self._expected)
        return Record(Kind.REST, event, detail=f"{target.angle_deg:.4g} deg {target.side}")
