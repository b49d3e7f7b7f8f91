"""The motion under way and the last one: its side, its bound, and whether it has come to rest."""

from __future__ import annotations

from bridge.bus.command import Command, Drive, Goto, Halt, Side
from bridge.bus.meaning import plural
from bridge.guard import Situation
from bridge.helm.snapshot import Activity, Snapshot

COAST_S = 0.7  # s after the last count in which the dish is said to coast (common practice: 0.5-1)
SCREEN_SILENCE_S = 2.0  # s without a heartbeat of the screen that halt a moving dish (judgement)


class MotionMemory:
    """What is remembered of motion from one look to the next; times are the host's clock."""

    def __init__(self) -> None:
        self.bound = ""  # in words, while it moves
        self._bound_until_s: float | None = None
        self._last_side: Side | None = None
        self._last_motion_s = float("-inf")

    def sent(self, command: Command | None, bound_s: float | None, now_s: float) -> None:
        """A command left for the bus; `bound_s` is how long it may move, None if not at all."""
        if isinstance(command, Halt):
            self.forget_bound()
        if bound_s is not None:
            self._bound_until_s = now_s + bound_s
            self.bound = bound_words(command)
        if isinstance(command, Drive):  # one count may be over before the next look
            self._last_side, self._last_motion_s = command.side, now_s

    def forget_bound(self) -> None:
        """Nothing is to be halted by its time any more; safe in any thread."""
        self._bound_until_s = None

    def see(self, before: Snapshot, moving: Side | None, count: int | None, now_s: float) -> None:
        """Take in a look at the adapter, given the snapshot before it."""
        if before.moving and moving is None:
            self.bound = ""
            self.forget_bound()
        counted = before.count is not None and count != before.count
        if moving or counted:
            self._last_motion_s = now_s
            self._last_side = moving or self._last_side

    def activity(self, moving: Side | None, now_s: float) -> Activity:
        """Whether the dish drives, coasts or rests."""
        if moving:
            return Activity.DRIVING
        coasts = now_s - self._last_motion_s < COAST_S
        return Activity.COASTING if coasts else Activity.AT_REST

    def situation(self, now: Snapshot, now_s: float) -> Situation:
        """What the guard needs to know before a command leaves."""
        return Situation(
            now.acknowledged,
            now.count,
            now.moving,
            self._last_side,
            now_s - self._last_motion_s,
            now.limits_on,
            now.limit_east,
            now.limit_west,
        )

    def reason_to_halt(self, moving: Side | None, now_s: float, beat_s: float | None) -> str:
        """Why a moving dish must halt now, in words; empty where it may go on.

        `beat_s` is the last heartbeat of the screen, None where none was ever seen.
        """
        if moving is None:
            return ""
        if self._bound_until_s is not None and now_s > self._bound_until_s:
            return "moved past its bound"
        if beat_s is not None and now_s - beat_s > SCREEN_SILENCE_S:
            return "the screen stands still"
        return ""


def bound_words(command: Command | None) -> str:
    """How far a motion goes, in words that follow `driving west,`.

    >>> bound_words(Drive("west", seconds=20))
    'at most 20 s'
    """
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
