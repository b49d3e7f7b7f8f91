"""How a positioner takes the motor from one count to another: a table of states and inputs.

    state    motor  left by
    idle     off    begin
    drive    on     pulse at the cut, time-out, no pulses (stall), current trip, halt
    nudge    on     its short time is over, trip, halt; for the last counts, where a drive coasts on
    settle   off    quiet long enough: next command, next nudge, next leg, a retry, or idle

Counts only: it knows the dish by pulses and the motor by its current, as a real one does.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sim.rig.positioner_memory import EndedBy, Entry, Memory

State = Literal["idle", "drive", "nudge", "settle"]
DEAD_A = 0.05  # A under which a driven motor counts as not connected (common practice)
MOST_NUDGES = 12  # short drives for one order before it gives up (judgement)
NUDGE_GROWTH = 1.35  # times as long, after a nudge without a pulse (judgement)


@dataclass(frozen=True, slots=True)
class DriveSettings:
    """How the controller drives; counts and seconds are its settings."""

    coast_counts: int = 2
    nudge_s: float = 0.09
    quiet_s: float = 0.6
    reverse_s: float = 0.6  # wait before driving the other way; 0 reverses while it coasts
    sign_first: bool = False  # on a reversal the counter's sign changes before that wait: a defect
    stall_s: float = 3.0
    retries: int = 1
    approach: int = 0  # direction of arrival at positions: -1 east, 1 west, 0 either
    approach_counts: int = 8


@dataclass(slots=True)
class Move:
    """One order to move. `goal` is a count; without one it goes on until its deadline or limit."""

    side: int
    entry: Entry
    goal: int | None = None
    deadline_s: float = math.inf
    steps: bool = False  # counted steps never turn back
    retries: int = 0
    via: int | None = None  # where to go first, so as to arrive from the right side
    cut: EndedBy | None = None
    nudges: int = 0
    nudge_s: float = 0.0


class Travel:
    """The motor's controller: its owner gives it pulses, time and trips, and obeys `drive`."""

    def __init__(
        self, habits: DriveSettings, memory: Memory, amps: Callable[[float], float]
    ) -> None:
        self.habits = habits
        self.memory = memory
        self._amps = amps
        self.state: State = "idle"
        self.drive = 0  # what the motor is given: -1 east, 0, 1 west
        self.polarity = 1  # what it was last given: the sign of every pulse
        self.wake_s = math.inf
        self.move: Move | None = None
        self.pending: Move | None = None
        self.completed = True
        self.dead_sides: set[int] = set()
        self._started_s = self._heard_s = self._cut_s = -math.inf

    # ---- orders ----------------------------------------------------------------------------

    def begin(self, t_s: float, move: Move) -> None:
        """Take an order, ending the one before; a reversal waits until the coast is over."""
        self._end(self.move, "next command")
        self._end(self.pending, "next command")
        self.pending = None
        self.move = move
        turns = self._first_side(move) != self.polarity
        if turns and self.state != "idle" and self.habits.reverse_s > 0.0:
            self.move, self.pending = None, move
            if self.habits.sign_first:
                self.polarity = self._first_side(move)
            self._cut(t_s)
        else:
            self._launch(t_s)

    def halt(self, t_s: float) -> None:
        """Motor off now; the order is over, the coast still counts."""
        self._end(self.pending, "halt")
        self.pending = None
        if self.move is not None:
            self.move.cut = "halt"
            self.completed = False
        if self.state in ("drive", "nudge"):
            self._cut(t_s)

    def drop_power(self) -> None:
        """Everything that lives on power is gone; memory keeps what it had."""
        for move in (self.move, self.pending):
            if move is not None:
                move.entry.count_after = self.memory.count
                move.entry.reason = move.entry.reason or "power was lost on the way"
        self.move = self.pending = None
        self.state, self.drive, self.wake_s, self.completed = "idle", 0, math.inf, False

    # ---- inputs ----------------------------------------------------------------------------

    def on_pulse(self, t_s: float, pulses: int) -> None:
        """Pulses came: the counter adds them by the last polarity, whatever the dish really did."""
        self.memory.count += pulses * self.polarity
        self._heard_s = t_s
        self.dead_sides.clear()
        move = self.move
        if self.state == "drive" and move is not None:
            left = self._left(move)
            if left is not None and left <= self.habits.coast_counts:
                self._cut(t_s, "target" if self._bound_by_goal(move) else "soft limit")
                return
        self._set_wake()

    def on_trip(self, t_s: float) -> None:
        """The supply's current trip opened."""
        if self.state in ("drive", "nudge"):
            self._fail(t_s)

    def on_wake(self, t_s: float) -> None:
        """A timer that `wake_s` asked for is due."""
        move = self.move
        if self.state == "settle":
            self._settled(t_s)
        elif move is None:
            self._cut(t_s)
        elif self.state == "nudge":
            self._cut(t_s, "time-out" if t_s >= move.deadline_s else None)
        elif t_s >= move.deadline_s:
            self._cut(t_s, "time-out")
        elif t_s >= max(self._started_s, self._heard_s) + self.habits.stall_s:
            self._fail(t_s)
        else:
            self._set_wake()

    # ---- inside ----------------------------------------------------------------------------

    def _target(self, move: Move) -> int | None:
        return move.goal if move.via is None else move.via

    def _limit(self, side: int) -> int | None:
        if not self.memory.limits_on:
            return None
        return self.memory.west if side > 0 else self.memory.east

    def _left(self, move: Move) -> int | None:
        """Counts to go to its target or to the soft limit, whichever comes first."""
        places = [p for p in (self._target(move), self._limit(move.side)) if p is not None]
        return min(((p - self.memory.count) * move.side for p in places), default=None)

    def _bound_by_goal(self, move: Move) -> bool:
        target, limit = self._target(move), self._limit(move.side)
        return target is not None and (limit is None or (limit - target) * move.side >= 0)

    def _first_side(self, move: Move) -> int:
        target = self._target(move)
        if target is None or move.steps or target == self.memory.count:
            return move.side
        return 1 if target > self.memory.count else -1

    def _launch(self, t_s: float) -> None:
        """Motor on toward the target of the present leg: long drives, then nudges."""
        move = self.move
        if move is None:
            return
        move.side = self._first_side(move)
        move.cut = None
        left = self._left(move)
        if left is not None and left <= 0:
            move.cut = "target" if self._bound_by_goal(move) else "soft limit"
            self._cut(t_s)
            return
        self.memory.moving = True
        self.completed = False
        self.drive = self.polarity = move.side
        self._started_s = t_s
        if left is not None and left <= self.habits.coast_counts:
            self.state = "nudge"
            move.nudges += 1
            quiet = self._heard_s < self._cut_s  # the last nudge brought no pulse: push longer
            longer = move.nudges > 1 and quiet
            move.nudge_s = move.nudge_s * NUDGE_GROWTH if longer else self.habits.nudge_s
        else:
            self.state = "drive"
        self._set_wake()

    def _cut(self, t_s: float, why: EndedBy | None = None) -> None:
        """Motor off; wait until it is quiet."""
        if self.move is not None and why is not None:
            self.move.cut = why
        self.drive = 0
        self.state = "settle"
        self._cut_s = t_s
        self._set_wake()

    def _fail(self, t_s: float) -> None:
        """No pulses, or far too much current: the controller protects the motor."""
        if self._amps(t_s) < DEAD_A:
            self.dead_sides.add(self.polarity)
            why: EndedBy = "end switch"
        else:
            why = "stall"
        self._cut(t_s, why)

    def _settled(self, t_s: float) -> None:
        """All quiet: go on with whatever is left to do."""
        if self.pending is not None:
            self.move, self.pending = self.pending, None
            self._launch(t_s)
            return
        move = self.move
        if move is not None and self._goes_on(move, t_s):
            self._launch(t_s)
            return
        if move is not None:
            self.completed = move.cut in ("target", "time-out")
            self._end(move, move.cut or "target")
        self.move = None
        self.memory.moving = False
        self.state, self.wake_s = "idle", math.inf

    def _goes_on(self, move: Move, t_s: float) -> bool:
        """True where the order needs the motor again."""
        if move.cut in ("halt", "time-out", "stall", "end switch"):
            return False
        if move.nudges >= MOST_NUDGES:
            move.cut = "stall" if self._heard_s < self._started_s else move.cut
            return False
        left = self._left(move)
        at_limit = not self._bound_by_goal(move)
        if left is not None and left > 0 and (move.nudges > 0 or at_limit):
            if t_s < move.deadline_s:
                return True  # nudge on, also up to a soft limit
            move.cut = "time-out"
            return False
        if move.via is not None:
            move.via = None
            return True
        if move.goal is None or at_limit:
            move.cut = "soft limit"
            return False
        move.cut = "target"
        off = move.goal - self.memory.count
        side = 1 if off > 0 else -1
        if off == 0 or move.retries <= 0 or (move.steps and side != move.side):
            return False
        move.retries -= 1
        approach = self.habits.approach
        if approach and side != approach:
            move.via = move.goal - approach * self.habits.approach_counts
        return True

    def _set_wake(self) -> None:
        move = self.move
        if self.state == "idle":
            self.wake_s = math.inf
        elif self.state == "settle":
            wait = self.habits.reverse_s if self.pending is not None else self.habits.quiet_s
            self.wake_s = max(self._cut_s, self._heard_s) + wait
        elif move is not None:
            if self.state == "nudge":
                due = self._started_s + move.nudge_s
            else:
                due = max(self._started_s, self._heard_s) + self.habits.stall_s
            self.wake_s = min(due, move.deadline_s)

    def _end(self, move: Move | None, why: EndedBy) -> None:
        """Close the journal's entry of an order."""
        if move is not None and move.entry.ended_by is None:
            move.entry.ended_by = why
            move.entry.count_after = self.memory.count
