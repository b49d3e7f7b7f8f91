"""The positioner on the bus: frames in, replies out, and the rules on top of its travel.

Meanings of commands and of the status byte: EUTELSAT, Positioner Application Note 1.0 and Bus
Functional Specification 4.2 (from memory). What it does beyond them are manners seen in the field
(common practice), each switched by itself and all off by default.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Literal

from bridge.bus import addresses
from bridge.bus import command as cmd
from bridge.bus import standard as std
from bridge.bus.frame import Frame
from bridge.errors import FrameError
from sim.rig.positioner_memory import Entry, Memory, Outcome
from sim.rig.positioner_motion import DriveSettings, Move, Travel

Passing = Literal["passed", "inverted", "held13", "held18"]
JOURNAL = 4096  # entries that the journal holds, an evening of frames (judgement)

Manner = Literal[
    "repeats act again",
    "steps taken as seconds",
    "steps ignored",
    "any frame stops it",
    "reset puts limits at 0",
    "no store while moving",
    "one address only",
    "acts on unsure commands",
]


@dataclass(frozen=True, slots=True)
class Personality:
    """What tells one positioner from another."""

    habits: DriveSettings = field(default_factory=DriveSettings)
    two_way: bool = True
    angles: bool = False  # obeys command 6E
    most_positions: int = 99
    repeat_window_s: float = 1.0
    passing: Passing = "passed"
    reset_forgets: frozenset[str] = frozenset()  # of "positions", "limits"
    manners: frozenset[Manner] = frozenset()


class Positioner:
    """One positioner; `travel.drive` is what it gives the motor."""

    def __init__(
        self,
        personality: Personality,
        memory: Memory,
        *,
        amps: Callable[[float], float],
        count_at_angle: Callable[[float], float],
    ) -> None:
        self.personality = personality
        self.memory = memory
        self.travel = Travel(personality.habits, memory, amps)
        self.journal: deque[Entry] = deque(maxlen=JOURNAL)
        self.powered = True
        self.bus_v = std.SUPPLY_LOW_V
        self.standby = False
        self._count_at_angle = count_at_angle
        self._last: tuple[float, bytes, bytes | None] = (-math.inf, b"", None)
        if memory.moving:  # power went while it moved
            memory.moving, memory.lost = False, True

    # ---- power and supply ------------------------------------------------------------------

    def set_power(self, on: bool) -> None:
        """Its power goes or comes back; on return it knows whether pulses may be missing."""
        if self.powered and not on:
            self.travel.drop_power()
        elif on and not self.powered:
            self.memory.lost = self.memory.lost or self.memory.moving
            self.memory.moving = False
        self.powered = on

    @property
    def horizontal(self) -> bool | None:
        """Whether the LNB gets the level for horizontal; None without a supply."""
        if self.bus_v == 0:
            return None
        high = self.bus_v > std.SUPPLY_THRESHOLD_V
        match self.personality.passing:
            case "held13":
                return False
            case "held18":
                return True
            case "inverted":
                return not high
            case _:
                return high

    # ---- frames ----------------------------------------------------------------------------

    def hear(self, t_s: float, message: bytes) -> bytes | None:
        """A frame that ended at `t_s`; the reply's bytes where one is wanted and given."""
        try:
            frame = Frame.parse(message)
        except FrameError as error:
            self._note(t_s, message, "ignored", str(error))
            return None
        if self.bus_v == 0 or not self.powered:
            without = "it has no power" if not self.powered else "no supply on the bus"
            self._note(t_s, message, "ignored", without)
            return None
        if not self._is_addressed(frame):
            self._note(t_s, message, "ignored", self._why_not_addressed(frame))
            if "any frame stops it" in self.personality.manners:
                self.travel.halt(t_s)
            return None
        is_query = frame.command in (std.POSITIONER_STATUS, std.DEVICE_STATUS, std.READ_COUNTER)
        if frame.is_repeat and not is_query and self._heard_before(t_s, frame):
            self._note(t_s, message, "ignored", "the first transmission was heard")
            reply = self._last[2]
        else:
            entry = self._note(t_s, message, "ignored", "")
            code, data = self._act(t_s, frame, entry)
            reply = bytes([code]) + data
        reply_to_all = reply
        if not (frame.reply_wanted and self.personality.two_way):
            reply = None
        elif reply is not None:
            self.journal[-1].reply_hex = reply.hex(" ").upper()
        self._last = (t_s, frame.body, reply_to_all)
        return reply

    def _is_addressed(self, frame: Frame) -> bool:
        if frame.is_reply or frame.command is None or frame.address is None:
            return False
        if frame.framing not in std.FRAMINGS:
            return False
        if "one address only" in self.personality.manners:
            return frame.address == addresses.POLAR_POSITIONER
        return frame.address in addresses.POLAR

    def _why_not_addressed(self, frame: Frame) -> str:
        if frame.is_reply:
            return "a reply, not a command"
        if frame.framing not in std.FRAMINGS:
            return f"framing {frame.framing:02X} is none of the standard's"
        if frame.address is None or frame.command is None:
            return "cut short"
        return f"for {addresses.address_name(frame.address)}"

    def _heard_before(self, t_s: float, frame: Frame) -> bool:
        if "repeats act again" in self.personality.manners:
            return False
        heard_s, body, _ = self._last
        return body == frame.body and t_s - heard_s <= self.personality.repeat_window_s

    def _note(self, t_s: float, message: bytes, outcome: Outcome, reason: str) -> Entry:
        count = self.memory.count
        entry = Entry(t_s, message.hex(" ").upper(), outcome, reason, count, count)
        self.journal.append(entry)
        return entry

    def _act(self, t_s: float, frame: Frame, entry: Entry) -> tuple[int, bytes]:
        """Carry out a frame for a positioner; returns framing and data of the reply."""
        byte = frame.command
        row = std.COMMANDS.get(byte) if byte is not None else None
        if row is None:
            entry.reason = "no command of the standard"
            return std.REPLY_UNKNOWN, b""
        if len(frame.data) < row.fewest:
            entry.reason = f"{row.name} needs {row.fewest} byte{'s' * (row.fewest > 1)} of data"
            return std.REPLY_UNKNOWN, b""
        if row.byte == std.POSITIONER_STATUS:
            entry.outcome = "answered"
            return std.REPLY_OK, bytes([self.status])
        if handled := self._housekeeping(t_s, row.byte, entry):
            return handled
        if not row.sure:
            return self._unsure(t_s, frame, entry)
        command = cmd.command_of(frame)
        if self.standby and command is not None:
            entry.outcome, entry.reason = "refused", "it is in standby; power on first"
            return std.REPLY_OK, b""
        match command:
            case cmd.Halt():
                entry.outcome = "set"
                entry.reason = "" if self.travel.drive else "nothing was moving"
                self.travel.halt(t_s)
            case cmd.Drive():
                self._drive(t_s, command, entry)
            case cmd.SetLimit(side):
                self._set_limit(side, entry)
            case cmd.Limits(on):
                self.memory.limits_on = on
                entry.outcome = "set"
            case cmd.Store(number):
                self._store(number, entry)
            case cmd.Goto(number):
                self._goto(t_s, number, entry)
            case cmd.GotoAngle(side, angle_deg):
                self._goto_angle(t_s, angle_deg if side == "west" else -angle_deg, entry)
            case _:
                entry.reason = f"{row.name}: a positioner has nothing to do"
                if row.byte == std.GOTO_ANGLE:
                    entry.reason = "the angle's first nibble is neither E (east) nor D (west)"
                return std.REPLY_UNSUPPORTED, b""
        return std.REPLY_OK, b""

    def _housekeeping(self, t_s: float, byte: int, entry: Entry) -> tuple[int, bytes] | None:
        """Commands that any device on the bus knows."""
        entry.outcome = "set"
        match byte:
            case std.RESET:
                self.travel.halt(t_s)
                self._reset()
            case 0x01:
                self.memory.was_reset = False
            case 0x02:
                self.travel.halt(t_s)
                self.standby = True
            case 0x03:
                self.standby = False
            case std.DEVICE_STATUS:
                entry.outcome = "answered"
                high = 0x10 if self.bus_v > std.SUPPLY_THRESHOLD_V else 0
                flags = high | (0x40 if self.standby else 0) | int(self.memory.was_reset)
                return std.REPLY_OK, bytes([flags])
            case std.DEVICE_CONFIGURATION:
                entry.outcome = "answered"
                return std.REPLY_OK, bytes([0x20 | 0x10 | 0x08])
            case _:
                entry.outcome = "ignored"
                return None
        return std.REPLY_OK, b""

    def _reset(self) -> None:
        forgets: Collection[str] = self.personality.reset_forgets
        to_zero = "reset puts limits at 0" in self.personality.manners
        if "positions" in forgets:
            self.memory.forget_positions()
        if "limits" in forgets or to_zero:
            self.memory.forget_limits(to_zero=to_zero)
        self.memory.was_reset = True
        self.memory.lost = False
        self.standby = False

    # ---- motion ----------------------------------------------------------------------------

    def _limit(self, side: int) -> int | None:
        if not self.memory.limits_on:
            return None
        return self.memory.west if side > 0 else self.memory.east

    def _refuse(self, entry: Entry, reason: str) -> None:
        entry.outcome, entry.reason = "refused", reason

    def _drive(self, t_s: float, command: cmd.Drive, entry: Entry) -> None:
        side = 1 if command.side == "west" else -1
        counts, seconds = command.counts, command.seconds
        manners = self.personality.manners
        if counts is not None and "steps ignored" in manners:
            entry.reason = "this positioner knows no steps"
            return
        if counts is not None and "steps taken as seconds" in manners:
            counts, seconds = None, counts
        limit = self._limit(side)
        if limit is not None and (limit - self.memory.count) * side <= 0:
            self._refuse(entry, f"at the {command.side} limit {limit}")
            return
        entry.outcome = "moved"
        deadline_s = math.inf if seconds is None else t_s + seconds
        goal = None if counts is None else self.memory.count + side * counts
        steps = counts is not None
        self.travel.begin(t_s, Move(side, entry, goal, deadline_s, steps=steps, retries=1))

    def _go(self, t_s: float, goal: int, what: str, entry: Entry) -> None:
        for side, name in ((-1, "east"), (1, "west")):
            limit = self._limit(side)
            if limit is not None and (goal - limit) * side > 0:
                self._refuse(entry, f"{what} at {goal} is beyond the {name} limit {limit}")
                return
        entry.outcome = "moved"
        habits = self.personality.habits
        side = 1 if goal >= self.memory.count else -1
        move = Move(side, entry, goal, retries=habits.retries)
        if habits.approach and side != habits.approach and goal != self.memory.count:
            move.via = goal - habits.approach * habits.approach_counts
        self.travel.begin(t_s, move)

    def _goto(self, t_s: float, number: int, entry: Entry) -> None:
        if number == 0:
            self._go(t_s, self.memory.reference, "the reference", entry)
        elif number in self.memory.positions:
            self.memory.selected = number
            self._go(t_s, self.memory.positions[number], f"position {number}", entry)
        else:
            self._refuse(entry, f"position {number} is not taught")

    def _goto_angle(self, t_s: float, hour_angle_deg: float, entry: Entry) -> None:
        if not self.personality.angles:
            entry.reason = "this positioner is not set up for angles"
            return
        count = self._count_at_angle(hour_angle_deg)
        if not math.isfinite(count):
            self._refuse(entry, f"the mount cannot turn to {hour_angle_deg:g} deg")
            return
        self._go(t_s, round(count), f"{abs(hour_angle_deg):g} deg", entry)

    def _set_limit(self, side: Literal["east", "west"], entry: Entry) -> None:
        count, memory = self.memory.count, self.memory
        if side == "east" and memory.west is not None and count >= memory.west:
            self._refuse(entry, f"{count} is not east of the west limit {memory.west}")
            return
        if side == "west" and memory.east is not None and count <= memory.east:
            self._refuse(entry, f"{count} is not west of the east limit {memory.east}")
            return
        if side == "east":
            memory.east = count
        else:
            memory.west = count
        memory.limits_on = True
        entry.outcome = "set"

    def _store(self, number: int, entry: Entry) -> None:
        most = self.personality.most_positions
        if number > most:
            self._refuse(entry, f"position {number} is past the {most} that it holds")
        elif self.travel.drive and "no store while moving" in self.personality.manners:
            self._refuse(entry, "it is moving")
        else:
            self.memory.store(number)
            entry.outcome = "stored"
            entry.reason = "while moving" if self.travel.drive else ""

    def _unsure(self, t_s: float, frame: Frame, entry: Entry) -> tuple[int, bytes]:
        """Commands whose meaning public tables leave open: acted on only by those that do."""
        if "acts on unsure commands" not in self.personality.manners:
            entry.reason = "its meaning is not certain, so it is left alone"
            return std.REPLY_UNSUPPORTED, b""
        word = int.from_bytes(frame.data[:2], "big", signed=True)
        match frame.command:
            case std.READ_COUNTER:
                entry.outcome = "answered"
                return std.REPLY_OK, (self.memory.count & 0xFFFF).to_bytes(2, "big")
            case std.GOTO_COUNTER:
                self._go(t_s, word, "the counter value", entry)
            case std.WRITE_COUNTER if self.travel.drive:
                self._refuse(entry, "it is moving")
            case std.WRITE_COUNTER:
                self.memory.count, self.memory.lost = word, False
                entry.outcome = "set"
            case std.GO_EAST | std.GO_WEST:
                side: cmd.Side = "east" if frame.command == std.GO_EAST else "west"
                self._drive(t_s, cmd.Drive(side), entry)
            case _:
                entry.reason = "it would overwrite every stored position, so it is left alone"
                return std.REPLY_UNSUPPORTED, b""
        entry.count_after = self.memory.count
        return std.REPLY_OK, b""

    @property
    def status(self) -> int:
        """The status byte of command 64."""
        travel, memory = self.travel, self.memory
        east, west = self._limit(-1), self._limit(1)
        at_limit = (east is not None and memory.count <= east) or (
            west is not None and memory.count >= west
        )
        flags = (
            travel.completed and travel.state == "idle",
            memory.limits_on,
            travel.polarity > 0,
            travel.drive != 0,
            at_limit,
            len(travel.dead_sides) > 1,
            len(travel.dead_sides) == 1,
            memory.lost,
        )
        return sum(0x80 >> bit for bit, flag in enumerate(flags) if flag)
