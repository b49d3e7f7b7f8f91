"""Motion that was ordered, and what must not happen while the dish may still move.

Where there are no times, a motion may last until the next command ends it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.audit.finding import POSITIONER_NOTE, PRACTICE, Finding
from bridge.bus import standard as std
from bridge.bus.addresses import POSITIONERS
from bridge.bus.command import Drive, Goto, GotoAngle, Halt, SetLimit, Store, command_of
from bridge.bus.frame import Frame
from bridge.trade_figures import END_TO_END_S, REVERSAL_WAIT_S, SLOW_COUNTS_PER_S

STARTING_S = 1.0  # s granted to a counted drive on top of its counts (judgement)

# The ends of the figures that blame no healthy dish for a motion that is over.
_GOTO_S = END_TO_END_S.low
_COUNTS_PER_S = SLOW_COUNTS_PER_S.high
_COAST_S = REVERSAL_WAIT_S.low


@dataclass(frozen=True, slots=True)
class SentMotion:
    """A motion that was ordered; `until_s` is when it is over, None without times."""

    command: Drive | Goto | GotoAngle
    frame: Frame
    t_s: float | None
    until_s: float | None

    def may_last(self, t_s: float | None) -> bool:
        """Whether the dish may still move at that time; without times it may."""
        return t_s is None or self.until_s is None or t_s < self.until_s

    @property
    def name(self) -> str:
        """What was ordered, in words."""
        match self.command:
            case Drive(side):
                return f"a drive {side}"
            case Goto(number):
                return f"a goto {number}"
            case GotoAngle():
                return "a goto angle"


def _lasts_s(command: Drive | Goto | GotoAngle) -> float:
    match command:
        case Drive(seconds=int(seconds)):
            return seconds
        case Drive(counts=int(counts)):
            return STARTING_S + counts / _COUNTS_PER_S
        case Drive():
            return float("inf")
        case Goto() | GotoAngle():
            return _GOTO_S


class Motions:
    """Follows one capture; `see` gives findings as they come, `end` the halt that never came."""

    def __init__(self) -> None:
        self._motion: SentMotion | None = None

    def lasting(self, t_s: float | None) -> SentMotion | None:
        """The motion that may still last at that time."""
        motion = self._motion
        return motion if motion is not None and motion.may_last(t_s) else None

    def see(self, frame: Frame, t_s: float | None) -> Iterator[Finding]:
        """The findings about one command, whatever it is addressed to."""
        if frame.address not in POSITIONERS:
            if frame.command in (std.WRITE_PORT_0, std.WRITE_PORT_1):
                yield from self._see_switch(t_s)
            return
        match command_of(frame):
            case Halt():
                self._motion = None
            case Drive() | Goto() | GotoAngle() as command:
                if isinstance(command, Drive) and not frame.is_repeat:
                    yield from self._see_reversal(command, t_s)
                until_s = None if t_s is None else t_s + _lasts_s(command)
                self._motion = SentMotion(command, frame, t_s, until_s)
            case Store() | SetLimit():
                yield from self._see_store(frame, t_s)

    def end(self) -> Iterator[Finding]:
        """The finding about a drive without a bound that nothing ends."""
        match self._motion:
            case SentMotion(Drive(side, counts=None, seconds=None), frame, t_s):
                yield Finding(
                    t_s,
                    "never_halted",
                    "error",
                    f"{frame.hex} drives {side} without a bound, and no halt follows",
                    "the dish drives to a limit or to its end",
                    POSITIONER_NOTE,
                    "no halt to the end of the capture",
                    "a halt, or a bound in the data byte",
                )

    def _see_switch(self, t_s: float | None) -> Iterator[Finding]:
        if motion := self.lasting(t_s):
            yield Finding(
                t_s,
                "switch_in_mid_move",
                "warning",
                f"a switch message while {motion.name} may still run",
                "a positioner behind the switch can lose its supply in mid-move and with it counts",
                PRACTICE,
            )

    def _see_store(self, frame: Frame, t_s: float | None) -> Iterator[Finding]:
        if motion := self.lasting(t_s):
            yield Finding(
                t_s,
                "store_while_moving",
                "note" if t_s is None else "error",
                f"{frame.hex} while {motion.name} may still run",
                "the place stored is not the place that was peaked",
                PRACTICE,
            )

    def _see_reversal(self, drive: Drive, t_s: float | None) -> Iterator[Finding]:
        before = self._motion
        if before is None or not isinstance(before.command, Drive) or t_s is None:
            return
        if before.t_s is None or before.until_s is None or before.command.side == drive.side:
            return
        if t_s < before.until_s + _COAST_S:
            yield Finding(
                t_s,
                "quick_reversal",
                "warning",
                f"driven {drive.side} while the drive {before.command.side} may still coast",
                "pulses of the coast are counted with the wrong sign: the count drifts",
                PRACTICE,
                f"{t_s - before.t_s:.2f} s after the other drive",
                f"at rest for {_COAST_S:g} s",
            )
