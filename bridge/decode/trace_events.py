"""One trace -> its events, in steps as the capture is read."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from math import inf
from typing import Any

from bridge.bus.event import Event, FrameHeard
from bridge.capture.trace import Edges, Lines, Samples, Trace
from bridge.errors import CaptureError

LAG_S = 2.0  # s behind what is read, before which no event is to come: decoders need 1.3; judgement
NEVER_S, ENDED_S = -inf, inf  # s, before any time and after it


@dataclass(frozen=True, slots=True)
class EventBatch:
    """Events, and how far the trace is read: no event before `certain_s` is still to come.

    The last step reaches to ENDED_S where the trace ended, not where the span asked for did.
    """

    reached_s: float
    certain_s: float
    events: list[Event]


Steps = Generator[EventBatch, None, float]
"""Steps, and in the end the time that was reached."""


def hear_trace(trace: Trace, span_s: float | None = None) -> Generator[Event, None, None]:
    """The events of one trace, unpaired; with `span_s`, of its first span only."""
    for step in hear_steps(trace, span_s):
        yield from step.events


def hear_steps(trace: Trace, span_s: float | None = None) -> Generator[EventBatch, None, None]:
    """The same in steps, as the trace is read.

    Where the file stops making sense, the events before that come first, then the CaptureError.
    """
    if isinstance(trace, Lines):
        for time_s, data, _ in trace.chunks():
            frame = FrameHeard(time_s, tuple(data), (True,) * len(data))
            reached_s = NEVER_S if time_s is None else time_s
            yield EventBatch(reached_s, reached_s, [frame])
        yield EventBatch(ENDED_S, ENDED_S, [])
    elif isinstance(trace, Samples):
        yield from _hear_samples(trace, span_s)
    else:
        yield from _hear_edges(trace, span_s)


def _hear_samples(trace: Samples, span_s: float | None) -> Iterator[EventBatch]:
    from bridge.decode.line_decoder import SampleDecoder  # noqa: PLC0415  (numpy only where used)

    chunks: Iterable[Any]
    if trace.raw_chunks is not None:
        chunks, scale, offset = trace.raw_chunks(), trace.raw_scale, trace.raw_offset
    else:
        chunks, scale, offset = trace.chunks(), 1.0, 0.0
    decoder = SampleDecoder(trace.rate_hz, trace.start_s, trace.volts, scale, offset * scale)

    def steps() -> Steps:
        done = 0
        left = None if span_s is None else int(span_s * trace.rate_hz)
        for chunk in chunks:
            part = chunk if left is None else chunk[:left]
            events = list(decoder.push(part))
            done += len(part)
            now_s = trace.start_s + done / trace.rate_hz
            yield EventBatch(now_s, now_s - LAG_S, events)
            if left is not None:
                left -= len(part)
                if left <= 0:
                    return now_s
        return ENDED_S

    yield from _to_the_end(steps(), decoder.finish)


def _hear_edges(trace: Edges, span_s: float | None) -> Iterator[EventBatch]:
    from bridge.decode.line_decoder import EdgeDecoder  # noqa: PLC0415

    decoder = EdgeDecoder(trace.start_s, trace.resolution_s, trace.end_s)

    def steps() -> Steps:
        for until_s, block in trace.steps() if trace.steps is not None else _untimed(trace):
            first_s = until_s if block is None else float(block[0][0])
            if span_s is not None and first_s - trace.start_s > span_s:
                return until_s
            events: list[Event] = []
            if block is not None:
                events += decoder.push(*block)
            events += decoder.advance(until_s)
            yield EventBatch(until_s, until_s - LAG_S if decoder.is_judged else NEVER_S, events)
            if span_s is not None and until_s - trace.start_s > span_s:
                return until_s  # before a pipe is asked for more
        return ENDED_S

    yield from _to_the_end(steps(), decoder.finish)


def _to_the_end(steps: Steps, finish: Callable[[], Iterator[Event]]) -> Iterator[EventBatch]:
    """The steps, and what the decoder still held, before any CaptureError."""
    reached_s = ENDED_S
    broken: CaptureError | None = None
    try:
        reached_s = yield from steps
    except CaptureError as error:
        broken = error
    yield EventBatch(reached_s, ENDED_S, list(finish()))
    if broken is not None:
        raise broken


def _untimed(trace: Edges) -> Iterator[tuple[float, Any]]:
    for times, levels in trace.chunks():
        yield float(times[-1]), (times, levels)
