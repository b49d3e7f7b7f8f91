"""Messages read many at once by columns are what mark by mark reading makes of them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import Event, FrameHeard
from bridge.bus.keying.batch import NO_MARKS, MarkColumns, read_batch
from bridge.bus.keying.mark import Mark, marks_of
from bridge.bus.keying.reader import BusReader, LineEnd, ToneUpdate

HALT = bytes.fromhex("E03160")
ERROR_S = 50e-6  # s, how finely edges are timed


def marks_of_frames(
    frames: list[bytes], slot_s: float = 0.5e-3, gap_s: float = 25e-3
) -> list[Mark]:
    marks: list[Mark] = []
    for data in frames:
        marks += marks_of(data, (marks[-1].off_s if marks else 0.0) + gap_s, slot_s)
    return marks


def columns_of(marks: list[Mark], carrier_hz: float = np.nan) -> MarkColumns:
    on_s = np.array([mark.on_s for mark in marks])
    off_s = np.array([mark.off_s for mark in marks])
    return MarkColumns(on_s, off_s, np.full(len(marks), carrier_hz))


def read(marks: MarkColumns, cuts: list[int], end_s: float, *, by_columns: bool) -> list[Event]:
    """The events of a line that is updated at `cuts`, up to the next tone or its end."""
    reader = BusReader(start_s=0.0)
    events: list[Event] = []
    places = [0, *sorted(min(cut, len(marks)) for cut in cuts), len(marks)]
    for first, end in pairwise(places):
        part = marks.part(first, end)
        until_s = float(marks.on_s[end]) if end < len(marks) else end_s
        update = ToneUpdate(part if by_columns else part.marks(), ERROR_S, None, until_s)
        events += reader.push(update)
    return events + list(reader.finish(LineEnd(NO_MARKS if by_columns else [], end_s)))


@given(
    frames=st.lists(st.binary(min_size=1, max_size=9), min_size=1, max_size=6),
    slot_s=st.floats(0.38e-3, 0.62e-3),
    others=st.tuples(
        st.sampled_from([7e-3, 14.5e-3, 15e-3, 30e-3]),
        st.one_of(st.just(np.nan), st.floats(17e3, 27e3)),
        st.sampled_from([0.0, 1e-3, 7e-3]),
    ),
    odds=st.tuples(st.sampled_from([0.0, 1e-6, 10e-6, 40e-6]), st.integers(0, 2**32 - 1)),
)
def test_both_ways_of_reading_give_the_same(
    frames: list[bytes],
    slot_s: float,
    others: tuple[float, float, float],
    odds: tuple[float, int],
) -> None:
    gap_s, carrier_hz, rest_s = others
    jitter_s, seed = odds
    rng = np.random.default_rng(seed)
    exact = columns_of(marks_of_frames(frames, slot_s, gap_s), carrier_hz)
    count = len(exact)
    marks = MarkColumns(
        exact.on_s + jitter_s * rng.standard_normal(count),
        exact.off_s + jitter_s * rng.standard_normal(count),
        exact.carrier_hz + np.where(rng.random(count) < 0.02, np.nan, rng.uniform(-30, 30, count)),
    )
    cuts = rng.integers(0, count + 1, 4).tolist()
    end_s = float(marks.off_s[-1]) + rest_s
    by_marks = read(marks, [], end_s, by_columns=False)
    assert read(marks, [], end_s, by_columns=True) == by_marks
    assert read(marks, cuts, end_s, by_columns=True) == by_marks


def test_messages_in_order_are_read_at_once() -> None:
    """What the other reading is spared: every message but the last, which may go on."""
    marks = columns_of(marks_of_frames([HALT, bytes.fromhex("E0316B07"), HALT]), 22e3)
    runs = read_batch(marks, ERROR_S, alone_from_s=0.0, until_s=float(marks.off_s[-1]))
    assert [run.frame.hex if run.frame else None for run in runs] == [
        "E0 31 60", "E0 31 6B 07", None,
    ]  # fmt: skip
    assert [(run.first, run.end) for run in runs] == [(0, 27), (27, 63), (63, 90)]
    assert runs[0].frame == FrameHeard(
        t_s=pytest.approx(25e-3),
        byte_values=tuple(HALT),
        parity_ok=(True, True, True),
        duration_s=pytest.approx(39.5e-3),
        carrier_hz=22e3,
        bits="111000000001100010011000001",
    )


@pytest.mark.parametrize(
    ("alone_from_s", "until_s", "which"),
    [(0.0, 1.0, [0, 1]), (0.03, 1.0, [1]), (0.0, 0.11, [0]), (0.03, 0.11, [])],
)
def test_a_message_that_may_not_stand_alone_is_left(
    alone_from_s: float, until_s: float, which: list[int]
) -> None:
    marks = columns_of(marks_of_frames([HALT, HALT]))
    until_s = min(until_s, marks.off_s[-1] + 5e-3) if until_s < 1.0 else until_s
    runs = read_batch(marks, ERROR_S, alone_from_s=alone_from_s, until_s=until_s)
    assert [n for n, run in enumerate(runs) if run.frame is not None] == which
