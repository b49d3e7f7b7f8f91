"""The clock: pace, pause, and never a jump."""

from __future__ import annotations

import pytest

from bridge.errors import YardError
from sim.clock import Clock


class Wall:
    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def wall() -> Wall:
    return Wall()


def test_it_starts_where_told_and_runs_at_its_pace(wall):
    clock = Clock(speed=4.0, start_s=7.0, wall=wall)
    wall.s += 2.0
    assert clock.now_s() == 15.0
    assert clock.wall_until(17.0) == 0.5
    assert clock.wall_until(3.0) == 0.0


def test_a_pause_stands_still_and_has_no_until(wall):
    clock = Clock(wall=wall)
    wall.s += 1.0
    clock.pause()
    wall.s += 50.0
    assert clock.now_s() == 1.0
    assert clock.paused
    assert clock.wall_until(2.0) is None
    assert clock.wall_until(1.0) == 0.0
    clock.resume()
    wall.s += 1.0
    assert clock.now_s() == 2.0


def test_a_change_of_pace_does_not_jump_and_wakes_whoever_waits(wall):
    clock = Clock(wall=wall)
    woken = []
    clock.on_change(lambda: woken.append(clock.now_s()))
    wall.s += 3.0
    clock.set_speed(10.0)
    assert clock.now_s() == 3.0
    wall.s += 0.5
    assert clock.now_s() == 8.0
    assert woken == [3.0]


def test_a_pause_keeps_a_pace_set_meanwhile(wall):
    clock = Clock(wall=wall)
    clock.pause()
    clock.set_speed(5.0)
    assert clock.paused
    clock.resume()
    wall.s += 1.0
    assert clock.now_s() == 5.0


@pytest.mark.parametrize("speed", [0.0, -1.0, 0.05, 1001.0, float("nan"), float("inf")])
def test_a_pace_that_cannot_be_is_refused_with_its_range(speed):
    with pytest.raises(YardError, match=r"0\.1 to 1000"):
        Clock(speed=speed)
