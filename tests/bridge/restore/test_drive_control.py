"""Bounded drives to a count, against a rig that coasts, falls short, jams and loses frames."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.command import MOST_STEPS, Drive, Goto, command_of, frame_of
from bridge.errors import LinkError
from bridge.restore.drive_control import (
    OBSERVE,
    OVERRUN,
    QUIET_S,
    STRAY,
    DriveControl,
    Observation,
    SendFrame,
    StopMotor,
)
from bridge.restore.plan import Plan, Target

PLAN = Plan((Target(1, 500),), (), "west", 45, 985, 7.5)
BARE = replace(PLAN, east=None, west=None)
PACE = 7.5  # counts/s, about 4 mm/s at 48 counts an inch (common practice)


class Rig:
    """Takes acts, gives looks of 0.1 s; `errors` are counts by which drives miss their end."""

    def __init__(self, count=500, *, errors=(), lost=(), manner="counts", end=None, seed=0):
        self.t_s, self.count, self.pulses = 0.0, float(count), 0
        self.goal = self.count
        self.errors, self.lost = list(errors), list(lost)
        self.manner, self.end = manner, end
        self.random = random.Random(seed)
        self.drives: list[Drive] = []
        self.stops = 0
        self.jerk = None  # power that moves nothing as far as a pulse
        self.moving = None
        self.stored = {1: 500}

    def seen(self):
        return Observation(self.t_s, round(self.count), self.pulses, self.moving, self._amps())

    def _amps(self):
        if self.moving is None:
            return 0.0
        return 0.0 if self.end is not None and round(self.count) == self.end else 1.4

    def act(self, act):
        match act:
            case SendFrame(frame):
                self._take(command_of(frame))
            case StopMotor():
                self.stops += 1
                self.goal = self.count
            case _:
                assert act == OBSERVE
        self._pass(0.1)
        return self.seen()

    def _take(self, command):
        if isinstance(command, Goto):
            self._head_for(self.stored[command.number])
            return
        assert isinstance(command, Drive)
        assert command.counts is not None
        assert 1 <= command.counts <= MOST_STEPS
        assert self.moving is None
        self.drives.append(command)
        if self.lost and self.lost.pop(0):
            return
        sign = 1 if command.side == "west" else -1
        if self.manner == "reversed":
            sign = -sign
        far = command.counts * (PACE if self.manner == "seconds" else 1)
        error = self.errors.pop(0) if self.errors else 0
        self._head_for(round(self.count) + sign * max(0, far + error))
        self.jerk = command.side if self.goal == self.count else None

    def _head_for(self, goal):
        self.goal = float(round(goal))
        if self.end is not None and self.goal < self.end:
            self.goal = -1e9

    def _pass(self, dt_s):
        self.t_s += dt_s
        away = self.goal - self.count
        before = round(self.count)
        self.moving, self.jerk = self.jerk, None
        if away:
            step = max(-PACE * dt_s, min(PACE * dt_s, away))
            self.count += step
            self.moving = "west" if away > 0 else "east"
            if self.end is not None and self.count < self.end:
                self.count = float(self.end)
        self.pulses += abs(round(self.count) - before)


def _run(steps, rig):
    """Drive a generator on a rig to its end."""
    act = next(steps)
    while True:
        try:
            act = steps.send(rig.act(act))
        except StopIteration as ended:
            return ended.value


def _reach(rig, count, side="west", plan=PLAN):
    control = DriveControl(plan, two_way=False)

    def steps():
        seen = yield from control.rest(rig.seen())
        return (yield from control.reach(seen, count, side))

    return _run(steps(), rig)


@given(
    st.integers(45, 985),
    st.integers(45, 985),
    st.sampled_from(["west", "east"]),
    st.lists(st.integers(-2, 3), max_size=6),
    st.lists(st.booleans(), max_size=2),
)
def test_any_count_is_reached_exactly_from_the_right_side(start, goal, side, errors, lost):
    rig = Rig(start, errors=errors, lost=lost)
    seen = _reach(rig, goal, side)
    assert seen.count == goal
    assert seen.moving is None
    assert rig.stops == 0
    if rig.drives and 45 + 12 <= goal <= 985 - 12:
        run_up = 0
        for drive in reversed(rig.drives):
            if drive.side != side:
                break
            run_up += drive.counts or 0
        assert rig.drives[-1].side == side
        assert run_up >= 6  # TAKE_UP, less what a drive may fall short


@given(st.integers(45, 985), st.integers(45, 985), st.sampled_from(["west", "east"]))
def test_no_drive_leads_outside_the_limits(start, goal, side):
    rig = Rig(start)
    at = start
    _reach(rig, goal, side)
    for drive in rig.drives:
        at += (drive.counts or 0) * (1 if drive.side == "west" else -1)
        assert 45 <= at <= 985


def test_without_limits_the_run_up_is_whole_anywhere():
    rig = Rig(100)
    _reach(rig, 20, "west", BARE)
    assert [drive.side for drive in rig.drives][-1] == "west"
    assert rig.drives[-1].counts == 12


def test_the_very_first_drive_is_short():
    rig = Rig(500)
    _reach(rig, 900)
    assert [drive.counts for drive in rig.drives] == [6, 128, 128, 128, 10]


def test_counts_taken_as_seconds_are_noticed_before_they_go_far():
    rig = Rig(500, manner="seconds")
    with pytest.raises(LinkError, match="may take counts as seconds"):
        _reach(rig, 900)
    assert rig.stops == 1
    assert abs(rig.count - 500) <= 6 + OVERRUN + 2


def test_counts_that_run_the_other_way_are_noticed():
    rig = Rig(500, manner="reversed")
    with pytest.raises(LinkError, match="counts ran the other way, from 500 to 496"):
        _reach(rig, 900)
    assert rig.stops == 1


def test_an_end_switch_on_the_way_ends_it():
    rig = Rig(100, end=80)
    with pytest.raises(LinkError, match="Stopped at count 80 going east: voltage but no current"):
        _reach(rig, 50, "east")
    assert rig.stops == 1


def test_three_drives_without_motion_end_it():
    rig = Rig(500, lost=[True] * 9)
    with pytest.raises(LinkError, match="no motion at count 500 in 3 drives; its own soft limit"):
        _reach(rig, 900)
    assert len(rig.drives) == 3


def test_a_motor_that_is_never_long_enough_on_is_given_up_later():
    rig = Rig(500, errors=[-6] * 99)
    with pytest.raises(LinkError, match="no motion at count 500 in 10 drives"):
        _reach(rig, 900)


def test_a_count_that_is_never_hit_is_given_up():
    rig = Rig(500, errors=[2] * 100)
    with pytest.raises(LinkError, match="does not come to rest at count 560 in 10 drives"):
        _reach(rig, 560)


def test_rest_waits_for_a_coast_to_end():
    rig = Rig(500)
    rig.goal = 510.0
    control = DriveControl(PLAN, two_way=False)
    seen = _run(control.rest(rig.seen()), rig)
    assert seen.count == 510
    assert rig.t_s >= 10 / PACE + QUIET_S


def test_a_dish_that_never_rests_is_halted():
    rig = Rig(500)
    rig.goal = 1e6
    with pytest.raises(LinkError, match="does not come to rest within 60 s"):
        _run(DriveControl(PLAN, two_way=False).rest(rig.seen()), rig)
    assert rig.stops == 1


def test_a_goto_that_strays_is_halted():
    rig = Rig(480)
    rig.stored[1] = 900
    control = DriveControl(PLAN, two_way=False)

    def steps():
        seen = yield from control.rest(rig.seen())
        return (yield from control.goto(seen, 1, 500))

    seen, trouble = _run(steps(), rig)
    assert "going to position 1 it left the way there" in trouble
    assert rig.stops == 1
    assert seen.count <= 500 + STRAY + 2


# ---- exact bounds and sentences ----------------------------------------------------------------


class Looks:
    """Gives one observation after another; what is asked in between is noted."""

    def __init__(self, *rows):
        self.rows = list(rows)
        self.requests = []

    def run(self, steps):
        request = next(steps)
        while True:
            self.requests.append(request)
            try:
                request = steps.send(self.rows.pop(0) if len(self.rows) > 1 else self._last())
            except StopIteration as ended:
                return ended.value

    def _last(self):
        last = self.rows[0]
        self.rows[0] = replace(last, t_s=last.t_s + 0.1)
        return last


def look(t_s, count, moving=None, *, pulses=None, amps=1.4, reply=None):
    pulses = 1000 + count if pulses is None else pulses
    return Observation(t_s, count, pulses, moving, amps if moving else 0.0, None, reply)


def _drive_to(count, side="west", begin=500, counts=20):
    """One drive that is seen at a count while it moves, and comes to rest there."""
    looks = Looks(look(0.1, count, side), look(0.2, count))
    control = DriveControl(BARE, two_way=False)
    return looks, lambda: looks.run(control.drive(look(0.0, begin), side, counts))


@pytest.mark.parametrize(
    ("side", "count"), [("west", 528), ("west", 497), ("east", 472), ("east", 503)]
)
def test_a_drive_may_coast_by_eight_and_chatter_by_three(side, count):
    looks, drive = _drive_to(count, side)
    assert drive().count == count
    assert StopMotor() not in looks.requests


@pytest.mark.parametrize(("side", "sign"), [("west", 1), ("east", -1)])
def test_counts_driven_in_a_row_to_one_side_add_up(side, sign):
    control = DriveControl(BARE, two_way=False)
    at = 500
    for moved, taken_up in ((1, 1), (6, 7), (0, 7)):
        looks = Looks(look(0.1, at + sign * moved, side), look(0.2, at + sign * moved))
        looks.run(control.drive(look(0.0, at), side, 6))
        at += sign * moved
        assert (control.last_side, control.taken_up, control.still) == (side, taken_up, moved == 0)
    other = "east" if side == "west" else "west"
    control.rested_s = -10.0  # s, long enough ago to turn back
    looks = Looks(look(0.1, at - sign, other), look(0.2, at - sign))
    looks.run(control.drive(look(0.0, at), other, 6))
    assert (control.last_side, control.taken_up, control.still) == (other, 1, 0)


@pytest.mark.parametrize(
    ("side", "count", "sentence"),
    [
        (
            "west",
            529,
            "it went past 20 counts west from 500 to 529; it may take counts as seconds: restore "
            "by hand then; halted at count 529",
        ),
        (
            "east",
            471,
            "it went past 20 counts east from 500 to 471; it may take counts as seconds: restore "
            "by hand then; halted at count 471",
        ),
        (
            "west",
            496,
            "counts ran the other way, from 500 to 496, when it was to drive 20 counts west from "
            "500: look at the motor's pair and the sensor; halted at count 496",
        ),
        (
            "east",
            504,
            "counts ran the other way, from 500 to 504, when it was to drive 20 counts east from "
            "500: look at the motor's pair and the sensor; halted at count 504",
        ),
    ],
)
def test_beyond_that_it_is_stopped_at_once(side, count, sentence):
    looks, drive = _drive_to(count, side)
    with pytest.raises(LinkError) as caught:
        drive()
    assert str(caught.value) == sentence
    assert looks.requests[1] == StopMotor()


def test_once_it_has_moved_as_told_counts_are_known_to_be_counts():
    looks = Looks(look(0.1, 506, "west"), look(0.2, 506), look(1.5, 506))
    control = DriveControl(BARE, two_way=False)
    seen = looks.run(control.drive(look(0.0, 500), "west", 6))
    looks.rows = [look(2.0, 560, "west"), look(2.1, 560)]
    with pytest.raises(LinkError) as caught:
        looks.run(control.drive(seen, "west", 20))
    assert str(caught.value) == ("it went past 20 counts west from 506 to 560; halted at count 560")


def test_a_motion_past_the_guards_bound_is_stopped():
    # 20 counts at 2 counts/s, a laboured actuator (common practice), and 3 s of grace: 13 s.
    rows = [look(n * 0.5, 500 + n // 2, "west") for n in range(1, 28)]
    looks = Looks(*rows, look(14.0, 514))
    with pytest.raises(LinkError) as caught:
        looks.run(DriveControl(BARE, two_way=False).drive(look(0.0, 500), "west", 20))
    assert str(caught.value) == (
        "still moving 13 s after it was to drive west 20 counts; halted at count 514"
    )
    assert looks.requests.count(StopMotor()) == 1
    assert looks.requests.index(StopMotor()) == 27  # at the look of 13.5 s


def test_a_drive_that_does_not_begin_is_waited_for_two_seconds():
    looks = Looks(look(0.1, 500))
    seen = looks.run(DriveControl(BARE, two_way=False).drive(look(0.0, 500), "west", 20))
    assert seen.t_s == pytest.approx(2.0)
    assert looks.requests[0] == SendFrame(frame_of(Drive("west", counts=20)))
    assert set(looks.requests[1:]) == {OBSERVE}


def test_a_status_without_an_answer_is_asked_for_twice():
    looks = Looks(look(0.1, 500))
    seen, flags = looks.run(DriveControl(BARE, two_way=True).flags(look(0.0, 500)))
    assert (seen.count, flags) == (500, None)
    assert [request.frame.hex for request in looks.requests] == ["E2 31 64"] * 2


def test_a_one_way_bus_is_not_asked_for_a_status():
    steps = DriveControl(BARE, two_way=False).flags(look(0.0, 500))
    with pytest.raises(StopIteration) as ended:
        next(steps)
    assert ended.value.value == (look(0.0, 500), None)


@pytest.mark.parametrize(
    ("reply", "flags"),
    [("E440", 0x40), ("E4C1", 0xC1), ("E4", None), ("E540", None), ("E640", None)],
)
def test_only_an_answer_without_error_holds_a_status(reply, flags):
    looks = Looks(look(0.1, 500, reply=bytes.fromhex(reply)))
    _, found = looks.run(DriveControl(BARE, two_way=True).flags(look(0.0, 500)))
    assert found == flags


def test_a_goto_may_run_25_counts_past_its_place_and_no_further():
    for count, trouble in (
        (525, ""),
        (455, ""),
        (
            526,
            "going to position 1 it left the way there at 526; halted at count 526",
        ),
        (
            454,
            "going to position 1 it left the way there at 454; halted at count 454",
        ),
    ):
        looks = Looks(look(0.1, count, "west"), look(0.2, count))
        seen, found = looks.run(DriveControl(BARE, two_way=False).goto(look(0.0, 480), 1, 500))
        assert (seen.count, found) == (count, trouble)


def test_rest_takes_more_than_a_second_of_quiet():
    looks = Looks(
        look(0.5, 500), look(1.0, 501), look(1.5, 501), look(2.0, 501), look(2.2, 501),
        look(9.0, 501),
    )  # fmt: skip
    seen = looks.run(DriveControl(BARE, two_way=False).rest(look(0.0, 500)))
    assert seen.t_s == 2.2  # 1.2 s after the last pulse, which came at 1.0 s


def test_why_nothing_moves_names_the_flags_of_the_positioner():
    looks = Looks(look(0.1, 500, reply=b"\xe4\x08"))
    control = DriveControl(BARE, two_way=True)
    control.still = 3
    with pytest.raises(LinkError) as caught:
        looks.run(control.reach(look(0.0, 500), 600, "west"))
    assert str(caught.value) == (
        "no motion at count 500 in 3 drives; its status: soft limit reached; its own soft limit "
        "may hold it, or motor, power or the frames fail: look there, then run it again"
    )
