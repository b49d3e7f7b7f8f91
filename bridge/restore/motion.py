"""Getting the dish to a count and to rest, by bounded drives alone; no I/O and no clock.

A generator yields what is to be done and is sent what is seen afterwards:

    Send   a frame for the bus; the answer comes with the next `Seen`
    Look   nothing but the next look
    Stop   the motor off at once

Times are the adapter's own, since that is where the motion is. What goes wrong ends in a
LinkError with the reason, after a stop.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace

from bridge.bus import standard as std
from bridge.bus.command import (
    MOST_STEPS,
    AskStatus,
    Command,
    Drive,
    Goto,
    Side,
    command_of,
    frame_of,
)
from bridge.bus.frame import Frame
from bridge.bus.meaning import plural
from bridge.diagnosis import MotionWatch, explain
from bridge.errors import LinkError
from bridge.guard import Situation, permit
from bridge.restore.plan import RUN_UP, TAKE_UP, Plan, run_up_start

QUIET_S = 1.2  # s without power and pulses that mean rest: over the guard's wait before reversing
START_S = 2.0  # s in which a drive that was heard shows itself (judgement)
REST_S = 60.0  # s to wait for rest before giving up
OVERRUN = 8  # counts past its end at which a drive is halted: coast is 1-3 (common practice)
BEHIND = 3  # counts the other way at which it is halted: a reed may chatter (judgement)
STRAY = 25  # counts past a position, the positioner's own run-up and coast included (judgement)
FEEL = 6  # counts of the very first drive, to learn that counts are taken as counts
TRIES = 10  # drives within RUN_UP of a count before it is given up
NEAR = 4  # counts from a place that are near enough to begin a proof (judgement)
STILL = 3  # drives in a row without motion before it is given up


@dataclass(frozen=True, slots=True)
class Seen:
    """One look at the adapter; `reply` holds what answered the frame sent before it."""

    t_s: float
    count: int
    pulses: int
    moving: Side | None
    motor_a: float | None = None
    signal_db: float | None = None
    reply: bytes | None = None


@dataclass(frozen=True, slots=True)
class Send:
    """A frame for the bus; `twice`: once more as a repeat, where nothing tells it was heard."""

    frame: Frame
    twice: bool = False


@dataclass(frozen=True, slots=True)
class Look:
    """Wait a moment and look again."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop the motor at once."""


@dataclass(frozen=True, slots=True)
class Doing:
    """What begins now, or (`done`) what is done, in words for a person."""

    says: str
    done: bool = False


@dataclass(frozen=True, slots=True)
class Keep:
    """Save the journal before anything else."""


Act = Send | Look | Stop | Doing | Keep
Step = Generator[Act, Seen, Seen]
LOOK = Look()


class Mover:
    """Where the dish has come from and what may be on; one for a whole session."""

    def __init__(self, plan: Plan, *, two_way: bool) -> None:
        self.plan = plan
        self.two_way = two_way
        self.last_side: Side | None = None
        self.taken_up = 0  # counts driven in a row toward `last_side`
        self.rested_s = float("-inf")
        self.still = 0  # drives in a row without motion
        self._powered = False  # whether the motor had power in one of them
        self._felt = False

    def situation(self, seen: Seen, *, inside: bool = True) -> Situation:
        """What the guard is told; the file's limits hold whatever the positioner's own do."""
        return Situation(
            True,
            seen.count,
            seen.moving,
            self.last_side,
            seen.t_s - self.rested_s + QUIET_S,
            inside,
            self.plan.east,
            self.plan.west,
        )

    def rest(self, seen: Seen) -> Step:
        """Look until nothing has moved for QUIET_S."""
        began_s = quiet_s = seen.t_s
        while seen.t_s - quiet_s < QUIET_S:
            before, seen = seen, (yield LOOK)
            if seen.moving or seen.pulses != before.pulses:
                quiet_s = seen.t_s
            if seen.t_s - began_s > REST_S:
                yield Stop()
                raise LinkError(
                    f"the dish does not come to rest within {REST_S:g} s, at count {seen.count}; "
                    "see what drives it, then run it again"
                )
        self.rested_s = seen.t_s
        return seen

    def set(self, seen: Seen, command: Command, *, count: int | None = None) -> Step:
        """Something that may be said again without harm; heard for sure where replies come.

        `count` is what the counter was made to read, where that is not the place.
        """
        frame = frame_of(command)
        now = self.situation(seen)
        permit(frame, now if count is None else replace(now, count=count))
        if not self.two_way:
            return (yield Send(frame, twice=True))
        asking = Frame(std.ASK_FIRST, frame.address, frame.command, frame.data)
        for _ in range(3):
            seen = yield Send(asking)
            if seen.reply is not None:
                return seen
        raise LinkError(
            f"the positioner does not answer {frame.hex} any more; look at its cable and power, "
            "then run it again"
        )

    def flags(self, seen: Seen) -> Generator[Act, Seen, tuple[Seen, int | None]]:
        """The status byte of a two-way positioner, None where none comes."""
        for _ in range(2 if self.two_way else 0):
            seen = yield Send(frame_of(AskStatus()))
            reply = seen.reply
            if reply is not None and len(reply) > 1 and reply[0] == std.REPLY_OK:
                return seen, reply[1]
        return seen, None

    def drive(self, seen: Seen, side: Side, counts: int, *, inside: bool = True) -> Step:
        """One bounded drive, rest to rest; `inside` False: past the file's limit, to try it."""
        begin, sign = seen.count, 1 if side == "west" else -1
        seen, trouble = yield from self._moved(seen, Drive(side, counts=counts), inside=inside)
        if trouble:
            raise LinkError(trouble)
        moved = (seen.count - begin) * sign
        if moved > 0:
            self.taken_up = moved + (self.taken_up if self.last_side == side else 0)
            self.last_side = side
            self._felt, self._powered, self.still = True, False, 0
        else:
            self.still += 1
        return seen

    def goto(self, seen: Seen, number: int, count: int) -> Generator[Act, Seen, tuple[Seen, str]]:
        """To a stored position, and what went wrong; halted where it strays off to elsewhere."""
        low, high = min(seen.count, count) - STRAY, max(seen.count, count) + STRAY
        begin = seen.count
        seen, trouble = yield from self._moved(seen, Goto(number), span=(low, high))
        if seen.count != begin:
            self._powered = False
            self.last_side, self.taken_up = None, 0  # its own ways tell nothing of the last side
        return seen, trouble

    def _moved(
        self,
        seen: Seen,
        command: Drive | Goto,
        *,
        inside: bool = True,
        span: tuple[int, int] | None = None,
    ) -> Generator[Act, Seen, tuple[Seen, str]]:
        """Send a motion and follow it to rest; what went wrong, after a stop, or nothing."""
        frame = frame_of(command)
        granted = permit(frame, self.situation(seen, inside=inside))
        bound_s = granted.bound_s or 0.0
        begin, began_s, pulses = seen.count, seen.t_s, seen.pulses
        low, high = span or _span(command, begin)
        watch = MotionWatch()
        seen = yield Send(frame)
        quiet_s, started = began_s, False
        while True:
            if seen.moving or seen.pulses != pulses:
                quiet_s, started = seen.t_s, True
            pulses = seen.pulses
            self._powered = self._powered or seen.moving is not None
            trouble = self._trouble(command, seen, low, high, begin)
            verdict = watch.see(seen.t_s, seen.moving, seen.pulses, seen.motor_a)
            if verdict and seen.moving:
                trouble = explain(verdict, seen.moving, seen.count)
            if seen.t_s - began_s > bound_s and seen.moving:
                trouble = f"still moving {bound_s:g} s after it was to {_words(frame)}"
            if trouble:
                yield Stop()
                seen = yield from self.rest(seen)
                return seen, f"{trouble}; halted at count {seen.count}"
            if seen.t_s - quiet_s >= (QUIET_S if started else START_S):
                self.rested_s = seen.t_s
                return seen, ""
            seen = yield LOOK

    def _trouble(self, command: Drive | Goto, seen: Seen, low: int, high: int, begin: int) -> str:
        if low <= seen.count <= high:
            return ""
        if isinstance(command, Goto):
            return f"going to position {command.number} it left the way there at {seen.count}"
        far = (seen.count > high) == (command.side == "west")
        asked = f"{plural(command.counts or 0, 'count')} {command.side} from {begin}"
        if not far:
            return (
                f"counts ran the other way, from {begin} to {seen.count}, when it was to drive "
                f"{asked}: look at the motor's pair and the sensor"
            )
        why = "" if self._felt else "; it may take counts as seconds: restore by hand then"
        return f"it went past {asked} to {seen.count}{why}"

    def reach(self, seen: Seen, count: int, side: Side | None) -> Step:
        """To rest at exactly `count`; with a `side`, driving that way for the run-up at least."""
        tries = 0
        while not self._arrived(seen, count, side):
            tries += abs(seen.count - count) <= 2 * RUN_UP
            if tries > TRIES:
                raise LinkError(
                    f"it does not come to rest at count {count} in {TRIES} drives, the last one "
                    f"ended at {seen.count}; look at coast and sensor, then run it again"
                )
            seen = yield from self._drive_on(seen, count, side)
        return seen

    def near(self, seen: Seen, count: int) -> Step:
        """To rest within NEAR of `count`."""
        while abs(seen.count - count) > NEAR:
            seen = yield from self._drive_on(seen, count, None)
        return seen

    def _drive_on(self, seen: Seen, count: int, side: Side | None) -> Step:
        # A motor that has power for a moment may well move the metal before the next pulse.
        if self.still >= (TRIES if self._powered else STILL):
            seen, flags = yield from self.flags(seen)
            raise LinkError(_why_still(seen, self.still, flags))
        way, counts = self._next_piece(seen, count, side)
        return (yield from self.drive(seen, way, counts))

    def run_up(self, count: int, side: Side) -> int:
        """Counts of run-up that the limits leave before a position, TAKE_UP at most."""
        return min(TAKE_UP, abs(count - run_up_start(self.plan, count, side)))

    def _arrived(self, seen: Seen, count: int, side: Side | None) -> bool:
        if seen.count != count or side is None:
            return seen.count == count
        taken = self.taken_up if self.last_side == side else 0
        return taken >= self.run_up(count, side)

    def _next_piece(self, seen: Seen, count: int, side: Side | None) -> tuple[Side, int]:
        """The next drive toward a count, bounded to what one command says."""
        away = count - seen.count
        if side is None:
            return ("west" if away > 0 else "east"), self._piece(abs(away))
        sign = 1 if side == "west" else -1
        ahead = away * sign
        taken = self.taken_up if self.last_side == side else 0
        if ahead > 0 and ahead + taken >= self.run_up(count, side):
            return side, self._piece(ahead)
        back = (seen.count - run_up_start(self.plan, count, side)) * sign
        return ("east" if side == "west" else "west"), self._piece(back)

    def _piece(self, counts: int) -> int:
        most = MOST_STEPS if self._felt else FEEL
        return max(1, min(counts, most))


def _why_still(seen: Seen, drives: int, flags: int | None) -> str:
    table = std.POSITIONER_FLAGS.items()
    raised = [name for bit, name in table if flags is not None and flags & bit]
    told = f"; it tells: {', '.join(raised)}" if raised else ""
    return (
        f"no motion at count {seen.count} in {drives} drives{told}; its own soft limit may hold "
        "it, or motor, power or the frames fail: look there, then run it again"
    )


def _span(command: Drive | Goto, begin: int) -> tuple[int, int]:
    """Counts between which a drive is as asked: OVERRUN past its end, BEHIND its start."""
    if isinstance(command, Goto):
        return begin, begin
    counts = command.counts or 0
    if command.side == "west":
        return begin - BEHIND, begin + counts + OVERRUN
    return begin - counts - OVERRUN, begin + BEHIND


def _words(frame: Frame) -> str:
    command = command_of(frame)
    match command:
        case Drive(side, counts):
            return f"drive {side} {plural(counts or 0, 'count')}"
        case Goto(number):
            return f"go to position {number}"
        case _:
            return frame.hex
