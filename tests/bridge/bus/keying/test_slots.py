"""Bits by tone and quiet, and slots held against 0.5 +-0.1 ms (bus specification, from memory)."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import pytest

from bridge.bus.event import Fault
from bridge.bus.keying.mark import Mark, count_marks, in_ms, marks_of
from bridge.bus.keying.slots import Bits, join_marks, read_bits

ERROR_S = 0.03e-3  # s, how finely edges are timed in these tests
START_S = 2.0


def marks_at(*spans_ms: float) -> list[Mark]:
    """Marks by their lengths in ms: tone, quiet, tone, and so on."""
    marks, at_s = [], START_S
    for n, span_ms in enumerate(spans_ms):
        if n % 2 == 0:
            marks.append(Mark(at_s, at_s + span_ms * 1e-3))
        at_s += span_ms * 1e-3
    return marks


def faults_of(*spans_ms: float, error_s: float = ERROR_S) -> list[str]:
    return [fault.detail for fault in read_bits(marks_at(*spans_ms), error_s).faults]


def joined(*spans_ms: float, error_s: float = ERROR_S) -> tuple[list[float], list[Fault]]:
    """Lengths of the marks that remain, in us, and the faults."""
    faults: list[Fault] = []
    marks = join_marks(marks_at(*spans_ms), faults, error_s)
    return [round(mark.length_s * 1e6, 3) for mark in marks], faults


@pytest.mark.parametrize(
    ("spans_ms", "bits"),
    [
        ((0.5, 1.0, 1.0, 0.5, 0.5), [1, 0, 1]),
        ((0.6, 0.81, 0.81, 0.6, 0.5), [1, 0, 1]),  # as long and as short as the standard allows
        ((0.79, 0.8, 0.8, 0.79, 0.5), [1, 0, 1]),  # the longer of tone and quiet decides
        ((0.69,), [1]),
        ((0.71,), [0]),  # the last bit has no quiet to weigh: 1.4 slots decide
        ((0.69, 5.5, 0.71), [1, None, None, None, 0]),  # nor has a bit before a gap
    ],
)
def test_a_bit_is_weighed_by_its_tone_and_the_quiet_after_it(
    spans_ms: tuple[float, ...], bits: list[int | None]
) -> None:
    read = read_bits(marks_at(*spans_ms), ERROR_S)
    assert read.values == bits
    assert read.margins == [inf if bit is not None else 0.0 for bit in bits]


@pytest.mark.parametrize("error_s", [0.0, ERROR_S])
@pytest.mark.parametrize(
    ("spans_ms", "place", "what"),
    [
        ((0.5, 1.0, 0.5), 0, "bit 1 at 0.00 ms: tone for {}, 0.4 to 0.6 ms allowed"),
        ((0.5, 1.0, 0.5), 1, "bit 1 at 0.00 ms: quiet for {}, 0.8 to 1.2 ms allowed"),
        ((1.0, 0.5, 0.5), 0, "bit 1 at 0.00 ms: tone for {}, 0.8 to 1.2 ms allowed"),
        ((1.0, 0.5, 0.5), 1, "bit 1 at 0.00 ms: quiet for {}, 0.4 to 0.6 ms allowed"),
        ((0.5, 1.0, 0.5), 2, "bit 2 at 1.50 ms: tone for {}, 0.4 to 0.6 ms allowed"),
    ],
)
def test_a_slot_is_held_against_its_bounds_as_finely_as_edges_are_timed(
    spans_ms: tuple[float, ...], place: int, what: str, error_s: float
) -> None:
    slots = 2 if "0.8 to 1.2" in what else 1
    low_ms, high_ms = slots * 0.4 - error_s * 1e3, slots * 0.6 + error_s * 1e3
    for length_ms, is_wrong in (
        (low_ms - 0.002, True), (low_ms + 0.002, False),
        (high_ms - 0.002, False), (high_ms + 0.002, True),
    ):  # fmt: skip
        changed = list(spans_ms)
        changed[place] = length_ms
        faults = faults_of(*changed, error_s=error_s)
        assert faults == ([what.format(in_ms(length_ms * 1e-3))] if is_wrong else [])


def test_edges_known_less_finely_widen_the_bounds_of_their_own_tone_and_quiet() -> None:
    marks = marks_at(0.35, 0.78, 0.5, 1.0, 0.5)
    faults = [fault.detail for fault in read_bits(marks, 0.0).faults]
    assert [detail.partition(":")[2][:7] for detail in faults] == [" tone f", " quiet "]
    first = [replace(marks[0], blur_s=0.06e-3), *marks[1:]]
    assert read_bits(first, 0.0).faults == []
    second = [marks[0], replace(marks[1], blur_s=0.06e-3), marks[2]]
    (fault,) = read_bits(second, 0.0).faults
    assert fault.detail == "bit 1 at 0.00 ms: tone for 0.35 ms, 0.4 to 0.6 ms allowed"


@pytest.mark.parametrize(("tone_ms", "lost"), [(1.42, 1), (1.6, 1), (2.2, 1), (2.9, 2), (4.6, 3)])
def test_a_tone_too_long_for_a_bit_loses_as_many_as_it_hides(tone_ms: float, lost: int) -> None:
    read = read_bits(marks_at(0.5, 1.0, tone_ms, 0.5, 0.5), ERROR_S)
    assert read.values == [1, *[None] * lost, 1]
    assert read.margins == [inf, *[0.0] * lost, inf]
    what = f"bit 2 at 1.50 ms: tone for {tone_ms:.2f} ms, 1.2 ms allowed"
    assert read.faults == [Fault("long_tone", what)]


def test_a_long_tone_whose_bit_the_detector_decided_is_a_bit_with_a_fault() -> None:
    first, second = marks_at(1.45, 0.5, 0.5)
    read = read_bits([replace(first, bit=0, margin=20.0), second], ERROR_S)
    assert (read.values, read.margins) == ([0, 1], [20.0, inf])
    assert [fault.code for fault in read.faults] == ["slot_timing"]


@pytest.mark.parametrize(
    ("quiet_ms", "lost"), [(1.42, 0), (1.74, 0), (1.76, 1), (2.5, 1), (4.0, 2)]
)
def test_quiet_too_long_for_a_bit_loses_as_many_as_it_hides(quiet_ms: float, lost: int) -> None:
    """After a 1 there are two slots of quiet, and each bit lost is 1.5 ms more."""
    read = read_bits(marks_at(0.5, quiet_ms, 0.5), ERROR_S)
    assert read.values == [1, *[None] * lost, 1]
    (fault,) = read.faults
    rest = f"about {lost} lost" if lost else "1.2 ms allowed"
    assert fault.code == ("missing_bits" if lost else "slot_timing")
    assert fault.detail == f"bit 1 at 0.00 ms: quiet for {quiet_ms:.2f} ms, {rest}"


def test_a_pause_between_two_bytes_loses_no_bit() -> None:
    first = marks_of(b"\xe0", 1.0)
    second = marks_of(b"\x31", first[-1].off_s + 3.5e-3)
    read = read_bits([*first, *second], ERROR_S)
    assert len(read.values) == 18
    assert read.faults == [
        Fault("slot_timing", "bit 9 at 12.00 ms: quiet for 3.50 ms, 1.2 ms allowed")
    ]
    late = [*first[:-1], *(replace(m, on_s=m.on_s - 2e-3, off_s=m.off_s - 2e-3) for m in second)]
    assert [fault.code for fault in read_bits(late, ERROR_S).faults] == ["missing_bits"]


@pytest.mark.parametrize(("margin", "codes"), [(2.9, ["unclear"]), (3.0, [])])
def test_a_bit_decided_with_little_margin_is_unclear(margin: float, codes: list[str]) -> None:
    first, second = marks_at(0.5, 1.0, 0.5)
    read = read_bits([first, replace(second, bit=1, margin=margin)], ERROR_S)
    assert [fault.code for fault in read.faults] == codes
    assert read.margins == [inf, margin]
    if codes:
        assert read.faults[0].detail == "bit 2 at 1.50 ms: likelihood ratio e**2.9"


def test_bits_start_empty_and_separate() -> None:
    assert (Bits().values, Bits().margins, Bits().faults) == ([], [], [])


@pytest.mark.parametrize(("hole_ms", "is_notch"), [(0.03, True), (0.345, True), (0.355, False)])
def test_a_hole_shorter_than_a_slot_is_a_notch(hole_ms: float, is_notch: bool) -> None:
    """The shortest slot is 0.4 ms; 0.38, less what edges are off, is none."""
    lengths_us, faults = joined(0.5, hole_ms, 0.5)
    if not is_notch:
        assert (lengths_us, faults) == ([500.0, 500.0], [])
        return
    assert lengths_us == [pytest.approx(1000 + hole_ms * 1e3)]
    assert faults == [Fault("notch", f"no tone for {hole_ms:.2f} ms at 0.50 ms inside a tone")]


@pytest.mark.parametrize(("first", "second"), [((0, 8.0), (None, 5.0)), ((None, 5.0), (0, 8.0))])
def test_a_tone_joined_keeps_its_bit_and_the_least_margin(
    first: tuple[int | None, float], second: tuple[int | None, float]
) -> None:
    before, after = marks_at(0.4, 0.1, 0.5)
    before = replace(before, bit=first[0], margin=first[1])
    after = replace(after, bit=second[0], margin=second[1])
    (mark,) = join_marks([before, after], [], ERROR_S)
    assert (mark.bit, mark.margin) == (0, 5.0)
    assert (mark.on_s, mark.off_s) == (before.on_s, after.off_s)


@pytest.mark.parametrize(("pulse_ms", "is_pulse"), [(0.05, True), (0.345, True), (0.355, False)])
def test_tone_shorter_than_a_slot_is_a_pulse(pulse_ms: float, is_pulse: bool) -> None:
    lengths_us, faults = joined(1.0, 0.5, pulse_ms, 0.5, 1.0)
    if is_pulse:
        assert lengths_us == [1000.0, 1000.0]
        assert faults == [Fault("pulse", f"a pulse of {pulse_ms:.2f} ms at 1.50 ms")]
    else:
        assert (lengths_us, faults) == ([1000.0, pytest.approx(pulse_ms * 1e3), 1000.0], [])


def test_a_short_tone_whose_bit_the_detector_decided_is_no_pulse() -> None:
    first, short, last = marks_at(1.0, 0.5, 0.2, 0.5, 1.0)
    faults: list[Fault] = []
    marks = join_marks([first, replace(short, bit=1), last], faults, ERROR_S)
    assert ([mark.bit for mark in marks], faults) == ([None, 1, None], [])


@pytest.mark.parametrize(
    ("spans_ms", "is_lone_pulse"),
    [
        ((0.5, 0.3, 0.3, 0.3, 0.5), True),  # in the middle of a gap of 0.9 ms
        ((0.5, 0.3, 0.34, 0.3, 0.5), True),
        ((0.5, 0.3, 0.36, 0.3, 0.5), False),  # as long as a slot
        ((0.5, 0.36, 0.3, 0.3, 0.5), False),  # a whole slot before it: told otherwise
        ((0.34, 0.3, 0.3, 0.3, 0.5), False),  # its neighbours are no slots themselves
        ((0.5, 0.3, 0.3, 0.3, 0.34), False),
        ((0.5, 0.1, 0.1, 0.1, 0.5), False),  # the gap is no slot: a tone with two notches
    ],
)
def test_a_pulse_between_parts_of_one_gap_joins_nothing(
    spans_ms: tuple[float, ...], is_lone_pulse: bool
) -> None:
    lengths_us, faults = joined(*spans_ms)
    parts = [spans_ms[0] * 1e3, spans_ms[-1] * 1e3]
    assert (lengths_us == pytest.approx(parts) and len(faults) == 1) == is_lone_pulse
    if is_lone_pulse:
        assert faults[0].detail == f"a pulse of {spans_ms[2]:.2f} ms at 0.80 ms"


@pytest.mark.parametrize(("singles", "is_short_alike"), [(3, False), (4, True)])
def test_slots_that_slow_edges_make_short_alike_are_slots(
    singles: int, is_short_alike: bool
) -> None:
    """From four single slots on their median tells what is short among them: 0.72 of it."""
    spans_ms = [0.34, 1.2] * (singles - 1) + [0.34]
    lengths_us, faults = joined(*spans_ms)
    assert len(lengths_us) == (singles if is_short_alike else 0)
    assert [fault.code for fault in faults] == ["pulse"] * (0 if is_short_alike else singles)


@pytest.mark.parametrize(("tone_ms", "is_pulse"), [(0.235, True), (0.255, False)])
def test_how_short_one_of_them_may_be(tone_ms: float, is_pulse: bool) -> None:
    """0.72 of 0.34 ms is 0.245."""
    lengths_us, _ = joined(0.34, 1.2, 0.34, 1.2, tone_ms, 1.2, 0.34, 1.2, 0.34)
    assert len(lengths_us) == (4 if is_pulse else 5)


def test_marks_are_counted_in_words() -> None:
    assert count_marks(marks_at(0.5)) == "1 stretch of tone"
    assert count_marks(marks_at(0.5, 0.5, 0.5)) == "2 stretches of tone"
