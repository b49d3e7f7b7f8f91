"""What counts and current say about a motor that should be moving (figures: common practice)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bridge.diagnosis import MotionWatch, Standstill, diagnose, explain

END, STALL, NO_COUNTS = Standstill.END_SWITCH, Standstill.STALL, Standstill.NO_COUNTS


def watched(
    amps: float | None, pulses: Callable[[int], int | None], looks: int = 40
) -> list[tuple[float, Standstill]]:
    """When each diagnosis came, at ten looks a second under power from 0 s on."""
    watch = MotionWatch()
    seen = [(n / 10, watch.see(n / 10, "west", pulses(n), amps)) for n in range(looks)]
    return [(t_s, found) for t_s, found in seen if found is not None]


@pytest.mark.parametrize(
    ("amps", "found"),
    [
        # 0.5-1 A free, 1-2.5 A moving a dish, 3-5 A at a stall; no current is an open circuit
        (0.0, END),
        (0.04, END),
        (-0.04, END),
        (0.05, NO_COUNTS),
        (0.6, NO_COUNTS),
        (2.9, NO_COUNTS),
        (3.0, STALL),
        (-5.0, STALL),
        (None, Standstill.UNMEASURED),
    ],
)
def test_the_current_tells_the_causes_of_a_standstill_apart(
    amps: float | None, found: Standstill
) -> None:
    assert diagnose(amps) is found


@pytest.mark.parametrize(("amps", "found"), [(0.0, END), (5.0, STALL), (0.6, NO_COUNTS)])
def test_a_standstill_is_reported_once_after_a_second(amps: float, found: Standstill) -> None:
    assert watched(amps, lambda _: 7) == [(1.0, found)]


def test_a_second_without_counts_begins_at_the_last_count() -> None:
    assert watched(0.0, lambda n: min(n, 8)) == [(1.8, END)]


def test_a_laboured_actuator_at_two_counts_a_second_is_no_standstill() -> None:
    assert watched(1.4, lambda n: n // 5) == []


def test_rest_without_counts_and_unmeasured_current_report_nothing() -> None:
    watch = MotionWatch()
    assert not any(watch.see(n / 10, None, 7, 0.0) for n in range(40))
    assert watch.side is None
    assert watched(None, lambda _: 7) == []
    assert watched(5.0, lambda _: None) == []


def test_a_standstill_is_shown_as_long_as_it_lasts() -> None:
    watch = MotionWatch()
    for n in range(10):
        watch.see(n / 10, "west", 7, 0.0)
        assert watch.standstill is None
    for amps, found in ((0.0, END), (4.0, STALL), (None, Standstill.UNMEASURED)):
        watch.see(1.5, "west", 7, amps)
        assert watch.standstill is found
    watch.see(1.6, "west", 8, 0.0)
    assert watch.standstill is None
    watch.see(3.0, "west", 8, 0.0)
    assert (watch.standstill, watch.side) == (END, "west")
    watch.see(3.1, None, 8, 0.0)
    assert (watch.standstill, watch.side) == (None, "west")


def test_current_that_is_measured_late_is_still_reported() -> None:
    watch = MotionWatch()
    for n in range(15):
        assert watch.see(n / 10, "west", 7, None) is None
    assert watch.see(1.5, "west", 7, 0.0) is END
    assert watch.see(1.6, "west", 7, 0.0) is None


def test_a_new_standstill_is_reported_again() -> None:
    watch = MotionWatch()
    for pulses in (7, 8):
        seen = [watch.see(pulses * 10 + n / 10, "east", pulses, 0.0) for n in range(20)]
        assert [found for found in seen if found] == [END]


def test_the_other_side_begins_anew() -> None:
    watch = MotionWatch()
    seen = [watch.see(n / 10, "east" if n < 8 else "west", 7, 0.0) for n in range(20)]
    assert seen.index(END) == 18
    assert watch.side == "west"


def test_a_trip_cuts_a_stall_short_and_is_reported_once() -> None:
    watch = MotionWatch()
    assert not any(watch.see(n / 20, "west", 7, -9.0) for n in range(12))
    assert [watch.see(0.6 + n / 20, None, 7, 0.0) for n in range(3)] == [STALL, None, None]


@pytest.mark.parametrize(
    ("amps", "off_s", "pulses", "found"),
    [
        (3.0, 0.3125, 7, STALL),
        (2.9, 0.3125, 7, None),  # it was moving the dish
        (9.0, 0.25, 7, None),  # the inrush of a short step
        (9.0, 0.3125, 8, None),  # a count came with the cut
    ],
)
def test_power_cut_early_is_a_stall_only_under_its_current(
    amps: float, off_s: float, pulses: int, found: Standstill | None
) -> None:
    watch = MotionWatch()
    watch.see(8.0, "west", 7, amps)
    watch.see(8.05, "west", 7, amps)
    watch.see(8.1, "west", 7, None)  # a look that measures no current forgets none
    assert watch.see(8.0 + off_s, None, pulses, 0.0) is found


def test_a_trip_at_the_very_time_of_the_inrush_is_a_stall() -> None:
    watch = MotionWatch()
    watch.see(0.0, "west", 7, 9.0)
    watch.see(0.1, "west", 7, 9.0)
    assert watch.see(0.3, None, 7, 0.0) is STALL


def test_power_that_goes_off_before_a_current_was_measured_is_no_stall() -> None:
    watch = MotionWatch()
    watch.see(0.0, "west", 7, 9.0)
    assert watch.see(2.0, None, 7, 9.0) is None


def test_a_stall_that_was_reported_is_not_reported_again_at_the_cut() -> None:
    watch = MotionWatch()
    seen = [watch.see(n / 10, "west", 7, 4.0) for n in range(15)]
    assert seen.count(STALL) == 1
    assert watch.see(1.5, None, 7, 0.0) is None


def test_the_current_before_a_count_says_nothing_of_the_time_after_it() -> None:
    watch = MotionWatch()
    watch.see(0.0, "west", 7, 9.0)
    watch.see(0.1, "west", 7, 9.0)
    watch.see(0.2, "west", 8, None)
    assert watch.see(0.6, None, 8, 0.0) is None


def test_a_rest_between_two_drives_is_no_standstill() -> None:
    watch = MotionWatch()
    for start in (0.0, 100.0):
        seen = [watch.see(start + n / 20, "west", 7, 0.0) for n in range(4)]
        assert not any(seen)
        watch.see(start + 0.2, None, 7, 0.0)


@pytest.mark.parametrize(
    ("standstill", "side", "count", "sentence"),
    [
        (
            END,
            "east",
            12,
            "Stopped at count 12 going east: voltage but no current and no counts, as at an end "
            "switch (or a broken motor wire); drive west to tell",
        ),
        (
            END,
            "west",
            None,
            "Stopped going west: voltage but no current and no counts, as at an end switch (or a "
            "broken motor wire); drive east to tell",
        ),
        (
            STALL,
            "east",
            0,
            "Stalled at count 0 going east: high current and no counts; halt, then look what holds "
            "the dish",
        ),
        (
            NO_COUNTS,
            "west",
            -3,
            "No counts at count -3 while the motor runs west: look at the sensor and its cable, or "
            "at a sheared coupling",
        ),
        (
            Standstill.UNMEASURED,
            "west",
            5,
            "No counts at count 5 going west, and the motor's current is not measured",
        ),
    ],
)
def test_each_standstill_has_its_sentence(
    standstill: Standstill, side: str, count: int | None, sentence: str
) -> None:
    assert explain(standstill, side, count) == sentence  # type: ignore[arg-type]
