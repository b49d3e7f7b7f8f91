"""Slots that stand out from their own message, though the standard allows them."""

from __future__ import annotations

import pytest

from bridge.bus.event import Fault
from bridge.bus.keying.evenness import check_evenness
from bridge.bus.keying.mark import Mark


def marks_at(spans_ms: list[float]) -> list[Mark]:
    marks, at_s = [], 1.0
    for n, span_ms in enumerate(spans_ms):
        if n % 2 == 0:
            marks.append(Mark(at_s, at_s + span_ms * 1e-3))
        at_s += span_ms * 1e-3
    return marks


def faults_of(spans_ms: list[float], error_s: float = 0.0) -> list[Fault]:
    faults: list[Fault] = []
    check_evenness(marks_at(spans_ms), faults, error_s)
    return faults


def spread(*changes: tuple[int, float], count: int = 13) -> list[float]:
    """Single slots of 0.5, 0.49 and 0.51 ms: the median is 0.5, its median deviation 0.01 ms."""
    spans = [(0.5, 0.49, 0.51)[n % 3] for n in range(count)]
    for place, length_ms in changes:
        spans[place] = length_ms
    return spans


@pytest.mark.parametrize(
    ("length_ms", "is_uneven"),
    [(0.5245, False), (0.528, True), (0.4755, False), (0.472, True)],  # 2.6 deviations: 0.026 ms
)
def test_a_slot_may_lie_off_by_2_6_median_deviations(length_ms: float, is_uneven: bool) -> None:
    assert bool(faults_of(spread((4, length_ms)))) == is_uneven


@pytest.mark.parametrize(("length_ms", "is_uneven"), [(1.05, False), (1.056, True)])
def test_two_slots_may_lie_off_by_twice_that(length_ms: float, is_uneven: bool) -> None:
    assert bool(faults_of(spread((4, length_ms)))) == is_uneven


def test_both_ends_of_a_slot_are_timed_with_an_error() -> None:
    assert faults_of(spread((4, 0.545)), 0.008e-3) != []
    assert faults_of(spread((4, 0.54)), 0.008e-3) == []  # 0.026 and twice 0.008 ms


def test_the_sentence_names_place_length_and_what_is_usual() -> None:
    (fault,) = faults_of(spread((4, 0.58)))
    assert fault == Fault(
        "uneven_slots", "at 2.00 ms: tone for 0.58 ms, 0.500 +-0.020 ms a slot elsewhere in it"
    )
    (fault,) = faults_of(spread((5, 0.58)))
    assert fault.detail.startswith("at 2.49 ms: quiet for 0.58 ms, ")


@pytest.mark.parametrize(("count", "is_told"), [(11, False), (13, True)])
def test_a_few_spans_show_nothing_usual(count: int, is_told: bool) -> None:
    assert bool(faults_of(spread((4, 0.58), count=count))) == is_told


def test_a_gap_too_long_for_a_bit_is_another_fault() -> None:
    assert faults_of(spread((5, 1.41))) == []
    assert len(faults_of(spread((5, 1.39)))) == 1


def test_edges_known_less_finely_in_any_mark_widen_all() -> None:
    marks = marks_at(spread((4, 0.54)))
    marks[0] = Mark(marks[0].on_s, marks[0].off_s, blur_s=0.01e-3)
    faults: list[Fault] = []
    check_evenness(marks, faults, 0.0)
    assert faults == []
    marks[0] = Mark(marks[0].on_s, marks[0].off_s, blur_s=-0.01e-3)  # measured twice: no less
    check_evenness(marks, faults, 0.008e-3)
    assert faults == []
