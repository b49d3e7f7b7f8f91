"""Getting the dish to a count and to rest, by bounded drives alone; no I/O and no clock.

All methods are generators of requests (see `requests`). Times are the adapter's own, since that
is where the motion is. What goes wrong ends in a LinkError with the reason, after a stop.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace

from bridge.bus import standard as std
from bridge.bus.command import (
    MOST_STEPS,
    AskStatus,
    Command,
    Drive,
    Goto,
    Side,
    frame_of,
)
from bridge.bus.frame import Frame
from bridge.bus.meaning import plural, positioner_flags
from bridge.diagnosis import MotionWatch, explain
from bridge.errors import LinkError
from bridge.guard import Situation, permit
from bridge.restore.plan import RUN_UP, TAKE_UP, Plan, run_up_start
from bridge.restore.requests import (
    OBSERVE,
    Observation,
    Request,
    SendFrame,
    Steps,
    StopMotor,
)

QUIET_S = 1.2  # s without power and pulses that mean rest: over the guard's wait (judgement)
START_S = 2.0  # s within which a drive that was received shows itself (judgement)
REST_S = 60.0  # s to wait for rest before giving up (judgement)
OVERRUN = 8  # counts past its end at which a drive is halted: coast is 1-3 (common practice)
BEHIND = 3  # counts the other way at which it is halted: a reed may chatter (judgement)
STRAY = 25  # counts past a position, the positioner's own run-up and coast included (judgement)
FIRST_DRIVE = 6  # counts of the first drive, to see that counts are taken as counts (judgement)
MOST_TRIES = 10  # drives near a count before it is given up (judgement)
NEAR = 4  # counts from a place that are near enough to begin a proof (judgement)
MOST_STILL = 3  # drives in a row without motion before it is given up (judgement)
MOST_REQUESTS = 3  # times a two-way positioner is asked before it counts as silent (judgement)


class DriveControl:
    """Drives the dish and remembers from which side it came; one for a whole session."""

    def __init__(self, plan: Plan, *, two_way: bool) -> None:
        self.plan = plan
        self.two_way = two_way
        self.last_side: Side | None = None
        self.taken_up = 0  # counts driven in a row toward `last_side`
        self.rested_s = float("-inf")
        self.still = 0  # drives in a row without motion
        self._powered = False  # whether the motor had power in one of them
        self._has_moved = False  # whether any drive has moved the dish

    def situation(self, seen: Observation, *, inside: bool = True) -> Situation:
        """What the guard judges by; the file's limits hold whatever the positioner's own do."""
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

    def rest(self, seen: Observation) -> Steps:
        """Look until nothing has moved for QUIET_S. Raises LinkError after REST_S."""
        began_s = quiet_s = seen.t_s
        while seen.t_s - quiet_s < QUIET_S:
            before, seen = seen, (yield OBSERVE)
            if seen.moving or seen.pulses != before.pulses:
                quiet_s = seen.t_s
            if seen.t_s - began_s > REST_S:
                yield StopMotor()
                raise LinkError(
                    f"the dish does not come to rest within {REST_S:g} s, at count {seen.count}; "
                    "see what drives it, then run it again"
                )
        self.rested_s = seen.t_s
        return seen

    def set(self, seen: Observation, command: Command, *, count: int | None = None) -> Steps:
        """Send a command that does no harm when it is repeated.

        A two-way positioner has to confirm it; to a one-way one it goes out twice. `count` is
        what the counter was made to read, where that is not the place. Raises LinkError where a
        two-way positioner stays silent.
        """
        frame = frame_of(command)
        now = self.situation(seen)
        permit(frame, now if count is None else replace(now, count=count))
        if not self.two_way:
            return (yield SendFrame(frame, repeat=True))
        asking = Frame(std.ASK_FIRST, frame.address, frame.command, frame.data)
        for _ in range(MOST_REQUESTS):
            seen = yield SendFrame(asking)
            if seen.reply is not None:
                return seen
        raise LinkError(
            f"the positioner does not answer {frame.hex} any more; look at its cable and power, "
            "then run it again"
        )

    def flags(
        self, seen: Observation
    ) -> Generator[Request, Observation, tuple[Observation, int | None]]:
        """The status byte of a two-way positioner, None where none comes."""
        for _ in range(2 if self.two_way else 0):
            asked = frame_of(AskStatus())
            seen = yield SendFrame(asked)
            flags = positioner_flags(Frame.parse(seen.reply), asked) if seen.reply else None
            if flags is not None:
                return seen, flags
        return seen, None

    def drive(self, seen: Observation, side: Side, counts: int, *, inside: bool = True) -> Steps:
        """One bounded drive from rest to rest; `inside` False: past the file's limit, a test."""
        begin, sign = seen.count, 1 if side == "west" else -1
        command, span = Drive(side, counts=counts), _span(side, counts, begin)
        seen, trouble = yield from self._moved(seen, command, span, inside=inside)
        if trouble:
            raise LinkError(trouble)
        moved = (seen.count - begin) * sign
        if moved > 0:
            self.taken_up = moved + (self.taken_up if self.last_side == side else 0)
            self.last_side = side
            self._has_moved, self._powered, self.still = True, False, 0
        else:
            self.still += 1
        return seen

    def goto(
        self, seen: Observation, number: int, count: int
    ) -> Generator[Request, Observation, tuple[Observation, str]]:
        """Go to a stored position; returns what went wrong, or "". Halted where it strays."""
        span = min(seen.count, count) - STRAY, max(seen.count, count) + STRAY
        begin = seen.count
        seen, trouble = yield from self._moved(seen, Goto(number), span)
        if seen.count != begin:
            self._powered = False
            self.last_side, self.taken_up = None, 0  # from which side it arrived is unknown
        return seen, trouble

    def _moved(
        self,
        seen: Observation,
        command: Drive | Goto,
        span: tuple[int, int],
        *,
        inside: bool = True,
    ) -> Generator[Request, Observation, tuple[Observation, str]]:
        """Send a motion and follow it to rest; returns what went wrong, after a stop, or "".

        It is stopped where the count leaves `span`, at a standstill, and past the guard's bound.
        """
        frame = frame_of(command)
        granted = permit(frame, self.situation(seen, inside=inside))
        bound_s = granted.bound_s or 0.0
        begin, began_s, pulses = seen.count, seen.t_s, seen.pulses
        watch = MotionWatch()
        seen = yield SendFrame(frame)
        quiet_s, started = began_s, False
        while True:
            if seen.moving or seen.pulses != pulses:
                quiet_s, started = seen.t_s, True
            pulses = seen.pulses
            self._powered = self._powered or seen.moving is not None
            trouble = self._trouble(command, seen, span, begin)
            standstill = watch.see(seen.t_s, seen.moving, seen.pulses, seen.motor_a)
            if standstill and seen.moving:
                trouble = explain(standstill, seen.moving, seen.count)
            if seen.t_s - began_s > bound_s and seen.moving:
                trouble = f"still moving {bound_s:g} s after it was to {_words(command)}"
            if trouble:
                yield StopMotor()
                seen = yield from self.rest(seen)
                return seen, f"{trouble}; halted at count {seen.count}"
            if seen.t_s - quiet_s >= (QUIET_S if started else START_S):
                self.rested_s = seen.t_s
                return seen, ""
            seen = yield OBSERVE

    def _trouble(
        self, command: Drive | Goto, seen: Observation, span: tuple[int, int], begin: int
    ) -> str:
        low, high = span
        if low <= seen.count <= high:
            return ""
        if isinstance(command, Goto):
            return f"going to position {command.number} it left the way there at {seen.count}"
        far = (seen.count > high) == (command.side == "west")
        order = f"{plural(command.counts or 0, 'count')} {command.side} from {begin}"
        if not far:
            return (
                f"counts ran the other way, from {begin} to {seen.count}, when it was to drive "
                f"{order}: look at the motor's pair and the sensor"
            )
        why = "" if self._has_moved else "; it may take counts as seconds: restore by hand then"
        return f"it went past {order} to {seen.count}{why}"

    def reach(self, seen: Observation, count: int, side: Side | None) -> Steps:
        """Drive to rest at exactly `count`; with a `side`, arriving that way after a run-up.

        Raises LinkError where MOST_TRIES drives near it did not hit it.
        """
        tries = 0
        while not self._arrived(seen, count, side):
            tries += abs(seen.count - count) <= 2 * RUN_UP
            if tries > MOST_TRIES:
                raise LinkError(
                    f"it does not come to rest at count {count} in {MOST_TRIES} drives, the last "
                    f"one ended at {seen.count}; look at coast and sensor, then run it again"
                )
            seen = yield from self._drive_on(seen, count, side)
        return seen

    def near(self, seen: Observation, count: int) -> Steps:
        """Drive to rest within NEAR of `count`."""
        while abs(seen.count - count) > NEAR:
            seen = yield from self._drive_on(seen, count, None)
        return seen

    def _drive_on(self, seen: Observation, count: int, side: Side | None) -> Steps:
        # A motor with power may move the metal a little before the next pulse comes: try longer.
        if self.still >= (MOST_TRIES if self._powered else MOST_STILL):
            seen, flags = yield from self.flags(seen)
            raise LinkError(_why_still(seen, self.still, flags))
        way, counts = self._next_piece(seen, count, side)
        return (yield from self.drive(seen, way, counts))

    def run_up(self, count: int, side: Side) -> int:
        """Counts of run-up that the limits leave before a position, TAKE_UP at most."""
        return min(TAKE_UP, abs(count - run_up_start(self.plan, count, side)))

    def _arrived(self, seen: Observation, count: int, side: Side | None) -> bool:
        if seen.count != count or side is None:
            return seen.count == count
        taken = self.taken_up if self.last_side == side else 0
        return taken >= self.run_up(count, side)

    def _next_piece(self, seen: Observation, count: int, side: Side | None) -> tuple[Side, int]:
        """Side and counts of the next drive toward a count, within what one command can say."""
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
        most = MOST_STEPS if self._has_moved else FIRST_DRIVE
        return max(1, min(counts, most))


def _why_still(seen: Observation, drives: int, flags: int | None) -> str:
    table = std.POSITIONER_FLAGS.items()
    raised = [name for bit, name in table if flags is not None and flags & bit]
    status = f"; its status: {', '.join(raised)}" if raised else ""
    return (
        f"no motion at count {seen.count} in {drives} drives{status}; its own soft limit may hold "
        "it, or motor, power or the frames fail: look there, then run it again"
    )


def _span(side: Side, counts: int, begin: int) -> tuple[int, int]:
    """Counts between which a drive is as ordered: OVERRUN past its end, BEHIND its start."""
    if side == "west":
        return begin - BEHIND, begin + counts + OVERRUN
    return begin - counts - OVERRUN, begin + BEHIND


def _words(command: Drive | Goto) -> str:
    if isinstance(command, Goto):
        return f"go to position {command.number}"
    return f"drive {command.side} {plural(command.counts or 0, 'count')}"
