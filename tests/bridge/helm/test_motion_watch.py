"""What counts and current say of a motor that should be moving (thresholds: common practice)."""

from __future__ import annotations

import pytest

from bridge.helm.motion_watch import MotionWatch, explain


def verdicts(amps, pulses):
    watch = MotionWatch()
    return [watch.see(0.1 * n, "west", pulses(n), amps) for n in range(40)]


@pytest.mark.parametrize(("amps", "verdict"), [(0.0, "end"), (5.0, "stall"), (0.6, "no counts")])
def test_one_verdict_for_each_standstill(amps, verdict):
    seen = verdicts(amps, lambda n: 7)
    assert [says for says in seen if says] == [verdict]
    assert seen.index(verdict) >= 10


def test_pulses_keep_it_silent():
    assert not any(verdicts(1.4, lambda n: n // 5))


def test_rest_and_unmeasured_current_give_no_verdict():
    watch = MotionWatch()
    assert not any(watch.see(0.1 * n, None, 7, 0.0) for n in range(40))
    assert not any(verdicts(None, lambda n: 7))


def test_a_new_standstill_gets_a_new_verdict():
    watch = MotionWatch()
    for pulses in (7, 8):
        seen = [watch.see(pulses * 10 + 0.1 * n, "east", pulses, 0.0) for n in range(20)]
        assert seen.count("end") == 1


@pytest.mark.parametrize("verdict", ["end", "stall", "no counts"])
def test_the_sentence_names_side_and_count(verdict):
    assert "at count 12" in explain(verdict, "east", 12)
    assert "east" in explain(verdict, "east", None)


def test_a_trip_cuts_a_stall_short_and_is_told():
    watch = MotionWatch()
    seen = [watch.see(0.05 * n, "west", 7, 9.0) for n in range(12)]
    assert not any(seen)
    assert [watch.see(0.6 + 0.05 * n, None, 7, 0.0) for n in range(3)] == ["stall", None, None]


def test_the_inrush_of_a_short_step_is_no_stall():
    watch = MotionWatch()
    watch.see(0.0, "west", 7, 9.0)
    watch.see(0.05, "west", 7, 9.0)
    assert watch.see(0.1, None, 7, 0.0) is None


def test_a_rest_between_two_drives_is_no_standstill():
    watch = MotionWatch()
    for start in (0.0, 100.0):
        seen = [watch.see(start + 0.05 * n, "west", 7, 0.0) for n in range(4)]
        assert not any(seen)
        watch.see(start + 0.2, None, 7, 0.0)
