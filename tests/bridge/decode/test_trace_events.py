"""What is heard while a capture is still being read: early, in order, the same for any pieces."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import Event, FrameHeard
from bridge.capture.trace import Capture, Edges, Samples
from bridge.decode.capture_events import read_traffic
from bridge.decode.trace_events import ENDED_S, EventBatch, hear_steps, hear_trace
from bridge.signal.waveform import Sending, edges_of, samples_of
from random_search import examples

FRAMES = [bytes.fromhex(text) for text in ("E0103860", "E03168FF", "E23164", "E480", "E0316B07")]
SENDING = Sending(FRAMES)
CARRIER = [(0.0, 0), *edges_of(SENDING)]
ENVELOPE = [(0.0, 0), *((time_s, 1 - n) for mark in SENDING.marks
                        for n, time_s in enumerate((mark.on_s, mark.off_s)))]  # fmt: skip
INVERTED = [(time_s, 1 - level) for time_s, level in ENVELOPE]
LINES = {"carrier": CARRIER, "envelope": ENVELOPE, "inverted": INVERTED}
REST_S = 5.0  # s at rest behind the last message


def line(pairs: list[tuple[float, int]], bounds: list[int], *, rests: bool = True) -> Edges:
    """A logic line in pieces, read on for REST_S behind its last edge."""
    times = np.array([time_s for time_s, _ in pairs])
    levels = np.array([level for _, level in pairs], np.uint8)
    cuts = sorted({0, len(pairs), *(n % len(pairs) for n in bounds)})

    def steps() -> Iterator[tuple[float, tuple[np.ndarray, np.ndarray] | None]]:
        for low, high in pairwise(cuts):
            until_s = times[high] if high < len(times) else times[-1]
            yield float(until_s), (times[low:high], levels[low:high])
        for n in range(5 if rests else 0):
            yield float(times[-1]) + REST_S * (n + 1) / 5, None

    return Edges("tone", 1e-7, 0.0, None, lambda: iter([(times, levels)]), steps)


def frames(events: list[Event]) -> list[str]:
    return [event.hex for event in events if isinstance(event, FrameHeard)]


WANTED = [data.hex(" ").upper() for data in FRAMES]


@given(st.sampled_from(sorted(LINES)), st.lists(st.integers(0, 10_000), max_size=12))
def test_any_pieces_give_the_same(kind: str, bounds: list[int]) -> None:
    whole = list(hear_trace(line(LINES[kind], [])))
    assert frames(whole) == WANTED
    assert list(hear_trace(line(LINES[kind], bounds))) == whole


@pytest.mark.parametrize("kind", sorted(LINES))
def test_a_message_is_given_once_the_line_rests(kind: str) -> None:
    """All are there before the line is over, though no edge follows the last."""
    steps = list(hear_steps(line(LINES[kind], list(range(0, 10_000, 50)))))
    before = [step for step in steps if step.reached_s < ENDED_S]
    assert frames([event for step in before for event in step.events]) == WANTED


@pytest.mark.parametrize("kind", sorted(LINES))
def test_a_line_is_judged_by_its_first_messages(kind: str) -> None:
    """The first frame does not wait for thousands of edges."""
    for step in hear_steps(line(LINES[kind], list(range(0, 10_000, 20)))):
        if frames(step.events):
            assert step.reached_s < SENDING.starts_s[3]
            return
    pytest.fail("no frame")


def _in_order(steps: list[EventBatch]) -> None:
    promised_s = -float("inf")
    for step in steps:
        for event in step.events:
            assert event.t_s is None or event.t_s >= promised_s
        promised_s = max(promised_s, step.certain_s)


@examples(30)
@given(
    st.sampled_from([*sorted(LINES), "samples"]),
    st.lists(st.integers(0, 40_000), max_size=12),
    st.floats(0, 6),
)
def test_nothing_comes_before_what_was_certain(kind: str, bounds: list[int], lead_s: float) -> None:
    if kind != "samples":
        pairs = [LINES[kind][0], *((t + lead_s, level) for t, level in LINES[kind][1:])]
        _in_order(list(hear_steps(line(pairs, bounds))))
        return
    rate_hz = 50e3
    wave = np.concatenate(list(samples_of(SENDING, rate_hz)))
    wave = np.concatenate((np.full(round(lead_s * rate_hz), 13.0), wave, np.full(90_000, 13.0)))
    cuts = sorted({0, len(wave), *(n * 7 % len(wave) for n in bounds)})
    chunks = [wave[low:high].astype(np.float32) for low, high in pairwise(cuts)]
    trace = Samples("bus", rate_hz, 0.0, True, lambda: iter(chunks))
    steps = list(hear_steps(trace))
    _in_order(steps)
    assert frames([event for step in steps for event in step.events]) == WANTED


def test_a_question_without_an_answer_is_given_while_the_line_rests() -> None:
    sending = Sending([bytes.fromhex("E03160"), bytes.fromhex("E03160"), bytes.fromhex("E23164")])
    pairs = [(0.0, 0), *edges_of(sending)]
    reached: list[float] = []
    events = read_traffic(Capture("x", (line(pairs, []),)), progress=reached.append)
    last = [event for event in events if isinstance(event, FrameHeard)][-1]
    assert [fault.code for fault in last.faults] == ["reply_missing"]
    events = read_traffic(Capture("x", (line(pairs, []),)), progress=reached.append)
    reached.clear()
    for event in events:
        if isinstance(event, FrameHeard) and event.hex == "E2 31 64":
            assert reached[-1] < pairs[-1][0] + REST_S
            return
    pytest.fail("not given")


@pytest.mark.parametrize("span_s", [None, 0.1])
def test_steps_of_samples_tell_how_far_they_are_read(span_s: float | None) -> None:
    """Chunks of 50 ms from 10 s on; a span of 100 ms ends with the second."""
    chunks = [np.full(2_500, 13.0, np.float32) for _ in range(4)]
    trace = Samples("bus", 50e3, 10.0, True, lambda: iter(chunks))
    steps = list(hear_steps(trace, span_s))
    reached = [10.05, 10.1, 10.15, 10.2, ENDED_S] if span_s is None else [10.05, 10.1, 10.1]
    assert [step.reached_s for step in steps] == pytest.approx(reached)
    assert [step.certain_s for step in steps[:-1]] == pytest.approx([s - 2 for s in reached[:-1]])
    assert steps[-1].certain_s == ENDED_S


def test_a_span_ends_within_a_chunk() -> None:
    wave = np.concatenate(list(samples_of(SENDING, 50e3)))
    trace = Samples("bus", 50e3, 0.0, True, lambda: iter([wave]))
    assert frames(list(hear_trace(trace, SENDING.starts_s[2] - 0.01))) == WANTED[:2]


def test_a_look_reads_no_further_than_it_has_to() -> None:
    read: list[float] = []

    def steps() -> Iterator[tuple[float, None]]:
        for n in range(1000):
            read.append(float(n))
            yield float(n), None

    trace = Edges("tone", 1e-6, 0.0, None, lambda: iter(()), steps)
    assert list(hear_trace(trace, 2.0)) == []
    assert read[-1] <= 3
