"""Edges of a comparator or of an envelope to stretches of tone."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import FrameHeard
from bridge.bus.keying.batch import MarkColumns
from bridge.bus.keying.mark import marks_of
from bridge.decode.line_decoder import EdgeDecoder
from bridge.signal.line_form import LineForm
from bridge.signal.logic import LogicReader
from random_search import examples

FRAME = bytes.fromhex("E0316B07")
HALF_S = 1 / 44_000  # s, half a period of 22 kHz
Row = tuple[float, float, float | None]


def tone(start_s: float, edges: int, half_s: float = HALF_S) -> list[float]:
    """Edges of a comparator on a stretch of tone."""
    return [start_s + half_s * n for n in range(edges)]


def rows_of(marks: MarkColumns) -> list[Row]:
    """(on in us, off in us, carrier in Hz) of each mark."""
    return [
        (round(mark.on_s * 1e6, 2), round(mark.off_s * 1e6, 2),
         None if mark.carrier_hz is None else round(mark.carrier_hz, 1))
        for mark in marks.marks()
    ]  # fmt: skip


def read(
    times: list[float], cuts: tuple[int, ...] = (), form: LineForm = LineForm.CARRIER
) -> tuple[LogicReader, list[Row]]:
    """A reader that was given a line at rest from 0 s on and then these edges, and its marks."""
    reader = LogicReader(form)
    every = np.array([0.0, *times])
    levels = (np.arange(len(every)) % 2).astype(np.uint8)
    rows: list[Row] = []
    for part, some in zip(np.split(every, cuts), np.split(levels, cuts), strict=True):
        rows += rows_of(reader.push(part, some))
    return reader, rows


def us(time_s: float) -> float:
    return round(time_s * 1e6, 2)


@pytest.mark.parametrize("cuts", [(), (1,), (12, 13, 30), tuple(range(1, 66))])
def test_edges_less_than_70_us_apart_are_one_stretch(cuts: tuple[int, ...]) -> None:
    first, second, third = tone(0.01, 22), tone(0.0115, 22), tone(0.013, 22)
    reader, rows = read([*first, *second, *third], cuts)
    assert rows == [
        (us(first[0]), us(first[-1]), 22_000.0),
        (us(second[0]), us(second[-1]), 22_000.0),
    ]
    assert reader.open_s == third[0]
    assert rows_of(reader.finish(None)) == [(us(third[0]), us(third[-1]), 22_000.0)]
    assert reader.open_s is None


@pytest.mark.parametrize(("gap_s", "count"), [(69e-6, 1), (71e-6, 2)])
def test_where_a_stretch_ends(gap_s: float, count: int) -> None:
    """A period at 17.6 kHz lasts 57 us. Three periods are too few to tell a hole in them."""
    first = tone(0.01, 4)
    reader, rows = read([*first, *tone(first[-1] + gap_s, 4)])
    assert len(rows) + len(reader.finish(None)) == count


def test_a_line_that_rests_has_ended_its_tone() -> None:
    times = tone(0.01, 22)
    reader, rows = read(times)
    assert rows == []
    assert len(reader.rest(times[-1] + 69e-6)) == 0
    assert reader.open_s == times[0]
    assert rows_of(reader.rest(times[-1] + 71e-6)) == [(us(times[0]), us(times[-1]), 22_000.0)]
    assert reader.open_s is None
    assert len(reader.rest(1.0)) == 0
    assert len(reader.finish(1.0)) == 0


@pytest.mark.parametrize("first_s", [HALF_S, HALF_S / 2, 1.2 * HALF_S])
def test_the_first_cycle_of_a_stretch_is_not_measured(first_s: float) -> None:
    """The gate of the keying cuts it anywhere."""
    rest = tone(0.01 + first_s, 22)
    _, ((_, _, measured), *_) = read([0.01, *rest, *tone(0.012, 3)])
    assert measured == 22_000.0


@pytest.mark.parametrize(("edges", "carrier_hz"), [(2, None), (3, 22_000.0), (4, 22_000.0)])
def test_a_carrier_takes_one_whole_period(edges: int, carrier_hz: float | None) -> None:
    _, rows = read([*tone(0.01, edges), *tone(0.012, 3)])
    assert rows[0][2] == carrier_hz


@pytest.mark.parametrize("missing", [1, 2])
def test_edges_missing_in_a_stretch_are_a_hole(missing: int) -> None:
    """A comparator that misses a cycle keeps its level; one edge missing is told by the next."""
    times = tone(0.01, 44)
    del times[20 : 20 + missing]
    reader, _ = read(times)
    before, after = rows_of(reader.finish(None))
    assert before[0] == us(times[0])
    assert after[1] == us(times[-1])
    assert before[1] == us(times[19])
    assert after[0] == us(times[20])


def test_two_holes_part_a_stretch_in_three() -> None:
    times = tone(0.01, 60)
    del times[40:42], times[20:22]
    rows = rows_of(read(times)[0].finish(None))
    assert [(on, off) for on, off, _ in rows] == [
        (us(times[0]), us(times[19])),
        (us(times[20]), us(times[37])),
        (us(times[38]), us(times[-1])),
    ]
    assert [hz is None for _, _, hz in rows] == [True, True, False]


@pytest.mark.parametrize("duty", [0.3, 0.7])
def test_an_uneven_duty_is_no_hole(duty: float) -> None:
    """One half of each period is longer: from edge to edge of one direction all is even."""
    times = [0.01 + (n + part) / 22_000 for n in range(22) for part in (0.0, duty)]
    assert len(read(times)[0].finish(None)) == 1


@pytest.mark.parametrize(("width_s", "is_bounce"), [(2.9e-6, True), (3.1e-6, False)])
def test_pulses_too_short_for_a_carrier_are_chatter(width_s: float, is_bounce: bool) -> None:
    times = tone(0.01, 22)
    at_s = times[10] + 10e-6
    reader, _ = read(sorted([*times, at_s, at_s + width_s]))
    ((_, _, carrier_hz),) = rows_of(reader.finish(None))
    assert (carrier_hz == 22_000.0) == is_bounce


def test_chatter_of_three_edges_leaves_one() -> None:
    times = tone(0.01, 22)
    chatter = [times[10] + 1e-6, times[10] + 2e-6]
    reader, _ = read(sorted([*times, *chatter]))
    ((on_us, off_us, carrier_hz),) = rows_of(reader.finish(None))
    assert (on_us, off_us) == (us(times[0]), us(times[-1]))
    assert carrier_hz == pytest.approx(22_000.0, rel=3e-3)


def test_of_a_continuous_tone_only_its_start_and_latest_edges_are_held() -> None:
    times = tone(0.01, 44_000)
    reader, rows = read(times, tuple(range(1_000, 44_000, 1_000)))
    assert rows == []
    assert reader.open_s == times[0]
    assert len(reader._held) == 4096
    ((on_us, off_us, carrier_hz),) = rows_of(reader.rest(times[-1] + 1.0))
    assert (on_us, off_us, carrier_hz) == (us(times[0]), us(times[-1]), 22_000.0)


@pytest.mark.parametrize("cuts", [(), (1,), (2,), (3,), (1, 2, 3, 4)])
@pytest.mark.parametrize("form", [LineForm.HIGH, LineForm.LOW])
def test_an_envelope_is_tone_at_its_level(form: LineForm, cuts: tuple[int, ...]) -> None:
    """The level is 1 from 1 to 2 s and from 4 to 7 s, and 0 else."""
    reader, rows = read([1.0, 2.0, 4.0, 7.0], cuts, form)
    if form is LineForm.HIGH:
        assert rows == [(1e6, 2e6, None), (4e6, 7e6, None)]
        assert (reader.open_s, reader.holds_tone) == (None, False)
        assert len(reader.finish(9.0)) == 0
    else:
        assert rows == [(0.0, 1e6, None), (2e6, 4e6, None)]
        assert (reader.open_s, reader.holds_tone) == (7.0, True)
        assert rows_of(reader.finish(9.0)) == [(7e6, 9e6, None)]


@pytest.mark.parametrize("end_s", [None, 7.0, 6.0])
def test_an_envelope_still_on_ends_only_after_its_last_edge(end_s: float | None) -> None:
    reader, _ = read([1.0, 2.0, 4.0, 7.0], (), LineForm.LOW)
    assert len(reader.finish(end_s)) == 0


def test_an_unknown_level_is_no_tone() -> None:
    reader = LogicReader(LineForm.HIGH)
    marks = reader.push(np.array([0.0, 1.0, 2.0, 3.0]), np.array([2, 1, 2, 1], np.uint8))
    assert rows_of(marks) == [(1e6, 2e6, None)]


def test_a_line_without_tone_gives_no_marks() -> None:
    reader, rows = read(tone(0.01, 50), (), LineForm.NONE)
    assert (rows, reader.open_s, reader.holds_tone) == ([], None, False)
    assert len(reader.finish(1.0)) == 0


def test_a_tone_on_a_carrier_is_not_held_by_the_level() -> None:
    reader, _ = read(tone(0.01, 21))
    assert reader.open_s is not None
    assert not reader.holds_tone


def test_envelopes_measure_no_carrier() -> None:
    reader = LogicReader(LineForm.HIGH)
    marks = reader.push(np.array([0.0, 1.0, 2.0]), np.array([0, 1, 0], np.uint8))
    assert all(isnan(hz) for hz in marks.carrier_hz)


@given(st.floats(0.82, 1.18), st.floats(0.0, 1.0), st.floats(0.3, 0.7))
@examples(15)
def test_the_carrier_is_measured_where_keying_cuts_its_cycles(
    carrier: float, phase: float, duty: float
) -> None:
    """A carrier that runs on through the gaps is cut anywhere by the keying's gate."""
    carrier_hz = 22_000.0 * carrier
    at_s = np.arange(0.0, 75e-3, 0.5e-6)
    running = np.mod(at_s * carrier_hz + phase, 1.0) < duty
    gate = np.zeros(len(at_s), dtype=bool)
    for mark in marks_of(FRAME, 10e-3):
        gate[np.searchsorted(at_s, mark.on_s) : np.searchsorted(at_s, mark.off_s)] = True
    levels = (running & gate).astype(np.uint8)
    edges = np.append(0, np.flatnonzero(np.diff(levels)) + 1)
    decoder = EdgeDecoder(resolution_s=0.5e-6, end_s=75e-3)
    heard = [*decoder.push(at_s[edges], levels[edges]), *decoder.finish()]
    frames = [event for event in heard if isinstance(event, FrameHeard)]
    assert [frame.byte_values for frame in frames] == [tuple(FRAME)]
    assert frames[0].carrier_hz == pytest.approx(carrier_hz, rel=2e-3)
