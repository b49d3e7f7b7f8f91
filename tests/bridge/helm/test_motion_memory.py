"""The motion under way: its bound, its coast, its last side, and when it must halt."""

from __future__ import annotations

import pytest

from bridge.bus.command import Command, Drive, Goto, GotoAngle, Halt, Store
from bridge.guard import Situation
from bridge.helm.motion_memory import MotionMemory, bound_words
from bridge.helm.snapshot import Activity, Snapshot

SEEN = Snapshot(True, "x", count=500, acknowledged=True, limits_on=True, limit_east=45)


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (Drive("west", counts=1), "1 count"),
        (Drive("east", counts=10), "10 counts"),
        (Drive("west", seconds=1), "at most 1 s"),
        (Goto(0), "to the reference"),
        (Goto(7), "to position 7"),
        (GotoAngle("west", 10.5), ""),
        (Store(7), ""),
        (None, ""),
    ],
)
def test_a_bound_in_words(command: Command | None, words: str) -> None:
    assert bound_words(command) == words


def test_nothing_has_moved_at_first() -> None:
    motion = MotionMemory()
    assert motion.activity(None, 0.0) is Activity.AT_REST
    assert motion.situation(SEEN, 0.0) == Situation(
        True, 500, None, None, float("inf"), True, 45, None
    )


def test_a_bounded_motion_is_halted_when_it_lasts_longer() -> None:
    motion = MotionMemory()
    motion.sent(Drive("west", counts=10), 8.0, 100.0)
    assert motion.bound == "10 counts"
    assert motion.reason_to_halt("west", 108.0, None) == ""
    assert motion.reason_to_halt("west", 108.1, None) == "moved past its bound"
    assert motion.reason_to_halt(None, 108.1, None) == ""
    motion.sent(Store(7), None, 101.0)  # what does not move changes no bound
    assert motion.bound == "10 counts"
    assert motion.reason_to_halt("west", 108.1, None) == "moved past its bound"
    motion.sent(Halt(), None, 102.0)
    assert motion.reason_to_halt("west", 108.1, None) == ""


def test_a_bound_ends_with_its_motion() -> None:
    motion = MotionMemory()
    motion.sent(Goto(7), 240.0, 100.0)
    motion.see(SEEN, None, 500, 100.1)  # not moving yet
    assert motion.bound == "to position 7"
    driving = Snapshot(True, "x", count=500, moving="west")
    motion.see(driving, "west", 501, 100.2)
    assert motion.reason_to_halt("west", 341.0, None) == "moved past its bound"
    motion.see(driving, None, 502, 100.3)
    assert motion.bound == ""
    assert motion.reason_to_halt("west", 341.0, None) == ""


def test_a_silent_screen_is_a_reason_once_it_was_seen() -> None:
    motion = MotionMemory()
    assert motion.reason_to_halt("east", 100.0, None) == ""
    assert motion.reason_to_halt("east", 100.0, 98.0) == ""
    assert motion.reason_to_halt("east", 100.0, 97.9) == "the screen stands still"
    assert motion.reason_to_halt(None, 100.0, 90.0) == ""


def test_a_dish_coasts_after_its_last_count() -> None:
    motion = MotionMemory()
    assert motion.activity("west", 10.0) is Activity.DRIVING
    motion.see(SEEN, "west", 500, 10.0)
    assert motion.activity(None, 10.5) is Activity.COASTING
    motion.see(SEEN, None, 501, 10.5)
    assert motion.activity(None, 11.125) is Activity.COASTING
    assert motion.activity(None, 11.25) is Activity.AT_REST
    motion.see(SEEN, None, 500, 20.0)  # no count, no motion
    assert motion.activity(None, 20.0) is Activity.AT_REST


def test_coasting_ends_after_its_time() -> None:
    motion = MotionMemory()
    motion.see(SEEN, "west", 500, 0.0)
    assert motion.activity(None, 0.69) is Activity.COASTING
    assert motion.activity(None, 0.7) is Activity.AT_REST


def test_the_first_count_ever_seen_is_no_motion() -> None:
    motion = MotionMemory()
    motion.see(Snapshot(True, "x"), None, 500, 10.0)
    assert motion.activity(None, 10.0) is Activity.AT_REST


def test_the_guard_learns_the_last_side_and_how_long_ago() -> None:
    motion = MotionMemory()
    motion.see(SEEN, "east", 499, 10.0)
    now = motion.situation(SEEN, 10.25)
    assert (now.last_side, now.since_motion_s) == ("east", 0.25)
    motion.see(SEEN, None, 498, 10.5)  # it coasts on
    now = motion.situation(SEEN, 10.75)
    assert (now.last_side, now.since_motion_s) == ("east", 0.25)
    motion.sent(Drive("west", counts=1), 3.5, 20.0)  # over before the next look
    now = motion.situation(SEEN, 20.125)
    assert (now.last_side, now.since_motion_s) == ("west", 0.125)
    motion.sent(Goto(7), 240.0, 30.0)  # its side is not known
    assert motion.situation(SEEN, 30.0).since_motion_s == 10.0
