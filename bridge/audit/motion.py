"""Rules of what is said to a positioner: drives, halts, repeats, limits, stores.

They judge order; where there are times they also judge whether the dish can still be moving.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge import trade
from bridge.audit.finding import POSITIONER_NOTE, PRACTICE, STANDARD, Finding
from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.command import (
    Command,
    Drive,
    Goto,
    GotoAngle,
    Halt,
    Limits,
    SetLimit,
    Store,
    command_of,
)
from bridge.bus.event import Event, FrameHeard, Supply
from bridge.bus.frame import Frame

REPEAT_WITHIN_S = 0.5  # s within which the same bytes again are meant as a repeat (common practice)
SAG_V = 1.0  # V, a fall of the supply that load alone should not bring (common practice)


@dataclass(frozen=True, slots=True)
class _Motion:
    """A motion that was ordered; `until_s` is when it must be over, None without times."""

    command: Drive | Goto | GotoAngle
    t_s: float | None
    until_s: float | None
    frame: Frame

    def may_last(self, t_s: float | None) -> bool:
        return t_s is None or self.until_s is None or t_s < self.until_s


def _over_s(command: Drive | Goto | GotoAngle, t_s: float | None) -> float | None:
    if t_s is None:
        return None
    match command:
        case Drive(seconds=int(seconds)):
            return t_s + seconds
        case Drive(counts=int(counts)):
            return t_s + 1 + counts / trade.SLOW_COUNTS_PER_S.high
        case Drive():
            return float("inf")
        case _:
            return t_s + trade.END_TO_END_S.low


class Motions:
    """Follows one capture; `see` gives findings as they come, `end` those of what never came."""

    def __init__(self) -> None:
        self._motion: _Motion | None = None
        self._limits_off_s: float | None = None
        self._limits_off = False
        self._last: tuple[Frame, float | None] | None = None
        self._addresses: set[int] = set()
        self._supply_v: float | None = None

    def see(self, event: Event) -> Iterator[Finding]:
        if isinstance(event, Supply):
            yield from self._see_supply(event)
            return
        if not isinstance(event, FrameHeard):
            return
        if event.supply_v is not None and event.t_s is not None:
            # a sag that stays above 15 V is no supply event: only the messages show it
            yield from self._see_supply(Supply(event.t_s, event.supply_v))
        if event.frame is None or event.frame.is_reply:
            return
        frame, t_s = event.frame, event.t_s
        yield from self._see_repeat(frame, t_s)
        if frame.address in addresses.POSITIONERS:
            yield from self._see_form(frame, t_s)
            yield from self._see_command(frame, command_of(frame), t_s)
        elif (motion := self._motion) and frame.command in (0x38, 0x39) and motion.may_last(t_s):
            yield Finding(
                t_s,
                "switch_in_mid_move",
                "warning",
                f"a switch message while {_name(motion.command)} may still run",
                "a positioner behind the switch can lose its supply in mid-move and with it counts",
                PRACTICE,
            )
        self._last = (frame, t_s)

    def end(self) -> Iterator[Finding]:
        motion = self._motion
        if motion and isinstance(motion.command, Drive) and not motion.command.bounded:
            yield Finding(
                motion.t_s,
                "never_halted",
                "error",
                f"{motion.frame.hex} drives {motion.command.side} without a bound, and no halt "
                "follows",
                "the dish drives to a limit or to its end",
                POSITIONER_NOTE,
                "no halt to the end of the capture",
                "a halt, or a bound in the data byte",
            )
        if self._limits_off:
            yield Finding(
                self._limits_off_s,
                "limits_left_off",
                "warning",
                "the soft limits were switched off and not on again",
                "nothing but the end switches stops the next drive",
                PRACTICE,
            )

    def _see_supply(self, event: Supply) -> Iterator[Finding]:
        before, self._supply_v = self._supply_v, event.volts
        motion = self._motion
        if before is None or motion is None or not motion.may_last(event.t_s):
            return
        fall_v = before - event.volts
        high, low = std.SUPPLY_HIGH_V, std.SUPPLY_LOW_V
        measured = f"{before:.1f} V to {event.volts:.1f} V"
        if abs(before - high) < SAG_V and abs(event.volts - low) < SAG_V:
            yield Finding(
                event.t_s,
                "supply_stepped",
                "warning",
                "the supply was stepped down in mid-move",
                "a motor fed over the cable slows by about a third",
                PRACTICE,
                measured,
                "one level until the dish is at rest",
            )
        elif fall_v >= SAG_V:
            yield Finding(
                event.t_s,
                "supply_sags",
                "warning",
                "the supply falls while the dish moves",
                "cable drop: slow motion, restarts, messages lost while moving",
                PRACTICE,
                measured,
                f"less than {SAG_V:g} V of fall",
            )

    def _see_repeat(self, frame: Frame, t_s: float | None) -> Iterator[Finding]:
        if self._last is None or frame.body != self._last[0].body:
            return
        gap_s = None if t_s is None or self._last[1] is None else t_s - self._last[1]
        if gap_s is not None and gap_s > REPEAT_WITHIN_S:
            return
        said = "" if gap_s is None else f"{gap_s * 1e3:.0f} ms from start to start"
        if not frame.is_repeat:
            command = command_of(frame)
            steps = isinstance(command, Drive) and command.counts is not None
            yield Finding(
                t_s,
                "repeat_code",
                "error" if steps else "note" if gap_s is None else "warning",
                f"{frame.hex} again with the code of a first transmission",
                "the dish steps twice" if steps else "it is acted on twice",
                STANDARD,
                said,
                "E1 or E3 in a repeat",
            )
        elif gap_s is not None:
            quiet_s = gap_s - len(frame.build()) * std.BYTE_S
            if quiet_s < trade.RECEIVER_REPEAT_S.high:
                yield Finding(
                    t_s,
                    "repeat_early",
                    "note",
                    "the repeat comes early",
                    "a switch that is still powering up may lose it as well",
                    STANDARD,
                    f"{quiet_s * 1e3:.0f} ms of quiet",
                    "about 100 ms",
                )

    def _see_form(self, frame: Frame, t_s: float | None) -> Iterator[Finding]:
        entry = std.COMMANDS.get(frame.command) if frame.command is not None else None
        if entry is None:
            return
        if entry.byte in (std.HALT, std.LIMIT_EAST, std.LIMIT_WEST) and frame.data:
            yield Finding(
                t_s,
                "trailing_data",
                "note",
                f"{frame.hex} carries data that {entry.name} does not have",
                "a strict positioner ignores it",
                POSITIONER_NOTE,
                f"{len(frame.data)} bytes",
                "none",
            )
        if not entry.sure:
            yield Finding(
                t_s,
                "unsettled_command",
                "error" if entry.byte == std.SET_POSITIONS else "note",
                f"{frame.hex}: the use of command {entry.byte:02X} is not settled",
                "it can overwrite every stored position"
                if entry.byte == std.SET_POSITIONS
                else "positioners differ in what they make of it",
                PRACTICE,
            )
        if frame.address and entry.byte >= std.HALT:
            self._addresses.add(frame.address)
            if {addresses.ANY_POSITIONER, addresses.POLAR_POSITIONER} <= self._addresses:
                self._addresses = set()
                yield Finding(
                    t_s,
                    "two_addresses",
                    "note",
                    "commands to any positioner (30) and to the polar positioner (31)",
                    "a positioner that knows one of them obeys half the commands",
                    PRACTICE,
                )

    def _see_command(
        self, frame: Frame, command: Command | None, t_s: float | None
    ) -> Iterator[Finding]:
        motion = self._motion
        match command:
            case Halt():
                self._motion = None
            case Drive() | Goto() | GotoAngle():
                if isinstance(command, Drive) and not frame.is_repeat:
                    yield from self._see_reversal(command, t_s)
                if isinstance(command, Goto) and command.number > trade.MANY_POSITIONS:
                    yield _many(command.number, t_s)
                self._motion = _Motion(command, t_s, _over_s(command, t_s), frame)
            case Store(number) if number > trade.MANY_POSITIONS:
                yield _many(number, t_s)
            case Limits(on=False):
                self._limits_off, self._limits_off_s = True, t_s
        if isinstance(command, Store | SetLimit | Limits) and getattr(command, "on", True):
            self._limits_off = False  # storing and setting limits switch them on as well
        if isinstance(command, Store | SetLimit) and motion and motion.may_last(t_s):
            yield Finding(
                t_s,
                "store_while_moving",
                "error" if t_s is not None else "note",
                f"{frame.hex} while {_name(motion.command)} may still run",
                "the place stored is not the place that was peaked",
                PRACTICE,
            )

    def _see_reversal(self, command: Drive, t_s: float | None) -> Iterator[Finding]:
        motion = self._last_drive(t_s)
        if motion is None or motion.command == command or t_s is None or motion.t_s is None:
            return
        if isinstance(motion.command, Drive) and motion.command.side != command.side:
            yield Finding(
                t_s,
                "quick_reversal",
                "warning",
                f"driven {command.side} while the drive {motion.command.side} may still coast",
                "pulses of the coast are counted with the wrong sign: the count drifts",
                PRACTICE,
                f"{t_s - motion.t_s:.2f} s after the other drive",
                f"at rest for {trade.REVERSAL_WAIT_S.low:g} s",
            )

    def _last_drive(self, t_s: float | None) -> _Motion | None:
        """The last motion, if its coast may reach `t_s`."""
        motion = self._motion
        if motion is None or t_s is None or motion.until_s is None:
            return None
        return motion if t_s < motion.until_s + trade.REVERSAL_WAIT_S.low else None


def _name(command: Command) -> str:
    match command:
        case Drive(side):
            return f"a drive {side}"
        case Goto(number):
            return f"a goto {number}"
        case _:
            return "a goto angle"


def _many(number: int, t_s: float | None) -> Finding:
    return Finding(
        t_s,
        "many_positions",
        "note",
        f"position {number}",
        f"a positioner that holds {trade.MANY_POSITIONS} positions ignores it",
        PRACTICE,
        str(number),
        f"at most {trade.MANY_POSITIONS}",
    )
