"""Messages of a logic line read many at once are what mark by mark reading makes of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import Event, FrameHeard
from bridge.signal import detector as receiver_module
from bridge.signal.clean import MarkColumns, Run, read_runs
from bridge.signal.detector import EdgeReceiver
from bridge.signal.waveform import Sending, edges_of

HALT = bytes.fromhex("E03160")
Edges = tuple[np.ndarray, np.ndarray]


def marks_only(
    marks: MarkColumns, grain_s: float, *, alone_from_s: float, until_s: float
) -> list[Run]:
    runs = read_runs(marks, grain_s, alone_from_s=alone_from_s, until_s=until_s)
    return [replace(run, frame=None) for run in runs]


def comparator_edges(sending: Sending, jitter_s: float, rng: np.random.Generator) -> Edges:
    """Edges of the carrier at whole microseconds, each stretch of it a little off."""
    times = np.array([0.0, *(time_s for time_s, _ in edges_of(sending))])
    owner = np.append(0, np.cumsum(np.diff(times) > 70e-6))
    times = np.sort(times + jitter_s * rng.standard_normal(owner[-1] + 1)[owner])
    return np.maximum(np.round(times, 6), 0.0), (np.arange(len(times)) % 2).astype(np.uint8)


def envelope_edges(sending: Sending, jitter_s: float, rng: np.random.Generator) -> Edges:
    ends = [time_s for mark in sending.marks for time_s in (mark.on_s, mark.off_s)]
    times = np.sort(np.array([0.0, *ends]) + jitter_s * rng.standard_normal(len(ends) + 1))
    return times, (np.arange(len(times)) % 2).astype(np.uint8)


def hear(edges: Edges, end_s: float, cuts: list[int]) -> list[Event]:
    times, levels = edges
    receiver = EdgeReceiver(resolution_s=1e-6, end_s=end_s)
    events: list[Event] = []
    places = sorted(min(cut, len(times)) for cut in cuts)
    for part, part_levels in zip(np.split(times, places), np.split(levels, places), strict=True):
        events += receiver.push(part, part_levels)
    return events + list(receiver.finish())


@given(
    frames=st.lists(st.binary(min_size=1, max_size=9), min_size=1, max_size=6),
    slot_s=st.floats(0.38e-3, 0.62e-3),
    others=st.tuples(st.sampled_from([7e-3, 14.5e-3, 15e-3, 30e-3]), st.floats(17e3, 27e3)),
    odds=st.tuples(st.sampled_from([0.0, 1e-6, 10e-6, 40e-6]), st.integers(0, 2**32 - 1)),
)
@pytest.mark.parametrize("find_edges", [comparator_edges, envelope_edges])
def test_both_ways_of_reading_give_the_same(
    find_edges: Callable[[Sending, float, np.random.Generator], Edges],
    frames: list[bytes],
    slot_s: float,
    others: tuple[float, float],
    odds: tuple[float, int],
) -> None:
    gap_s, carrier_hz = others
    jitter_s, seed = odds
    rng = np.random.default_rng(seed)
    sending = Sending(frames, carrier_hz=carrier_hz, slot_s=slot_s, gap_s=gap_s)
    edges = find_edges(sending, jitter_s, rng)
    cuts = rng.integers(0, 8_000, 4).tolist()
    quick = hear(edges, sending.length_s, cuts)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(receiver_module, "read_runs", marks_only)
        assert hear(edges, sending.length_s, cuts) == quick
        assert hear(edges, sending.length_s, []) == quick


def test_messages_in_order_are_read_at_once() -> None:
    """What the other reading is spared: every message but the last, which may go on."""
    sending = Sending([HALT, bytes.fromhex("E0316B07"), HALT])
    on_s = np.array([mark.on_s for mark in sending.marks])
    off_s = np.array([mark.off_s for mark in sending.marks])
    marks = MarkColumns(on_s, off_s, np.full(len(on_s), 22e3))
    runs = read_runs(marks, 50e-6, alone_from_s=0.0, until_s=float(off_s[-1]))
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
    sending = Sending([HALT, HALT])
    on_s = np.array([mark.on_s for mark in sending.marks])
    off_s = np.array([mark.off_s for mark in sending.marks])
    marks = MarkColumns(on_s, off_s, np.full(len(on_s), np.nan))
    until_s = min(until_s, off_s[-1] + 5e-3) if until_s < 1.0 else until_s
    runs = read_runs(marks, 50e-6, alone_from_s=alone_from_s, until_s=until_s)
    assert [n for n, run in enumerate(runs) if run.frame is not None] == which
