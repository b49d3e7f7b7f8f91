"""A capture of any kind -> the events on the bus, streaming, replies paired with commands.

The channel that carries the bus is found by what can be read on it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from typing import TYPE_CHECKING, Any

from bridge.bus.event import Burst, Event, FrameHeard, Tone
from bridge.bus.pairing import pair
from bridge.capture.trace import Capture, Edges, Lines, Samples, Trace
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Generator

Told = Callable[[float], None] | None

SLOWEST_HZ = 40e3  # Hz, the slowest sampling that can hold a carrier of 17.6 kHz
FIRST_LOOK_S = 2.0  # s of each channel looked at to find the bus; doubled while there is none
LAST_LOOK_S = 256.0  # s, after which the channels are looked at whole


def read_traffic(
    capture: Capture,
    *,
    channel: str | None = None,
    told: Told = None,
) -> Iterator[Event]:
    """The events of a capture in time order; `channel` names the trace that carries the bus.

    `told` is called now and then with the time that was reached, in s.
    Raises CaptureError for a channel that is not there, or where the file stops making sense.
    """
    trace = find_bus(capture) if channel is None else pick_channel(capture, channel)
    return pair(hear_trace(trace, told=told))


def pick_channel(capture: Capture, channel: str) -> Trace:
    """The trace of that name; if it cannot carry the bus, say why. Raises CaptureError."""
    trace = capture.trace(channel)
    if isinstance(trace, Samples) and trace.rate_hz < SLOWEST_HZ:
        raise CaptureError(
            f"{capture.path}: channel {trace.name!r} has {trace.rate_hz:g} samples a second; a "
            f"carrier of 22 kHz needs {SLOWEST_HZ / 1e3:g} thousand or more, record it faster"
        )
    return trace


def find_bus(capture: Capture) -> Trace:
    """The trace on which most can be read. Raises CaptureError where none can carry the bus."""
    able = [
        trace
        for trace in capture.traces
        if not (isinstance(trace, Samples) and trace.rate_hz < SLOWEST_HZ)
    ]
    if not able:
        if capture.traces:
            pick_channel(capture, capture.traces[0].name)
        raise CaptureError(f"{capture.path}: holds no channel; record the bus again")
    if len(able) == 1:
        return able[0]
    look_s: float | None = FIRST_LOOK_S
    while True:
        scored = [(_score(trace, look_s), -n, trace) for n, trace in enumerate(able)]
        best = max(scored, key=lambda row: row[:2])
        if best[0] > 0 or look_s is None:
            return best[2]
        look_s = look_s * 8 if look_s < LAST_LOOK_S else None


def _score(trace: Trace, look_s: float | None) -> float:
    """How much of the first stretch of a trace reads as traffic: bytes with their parity."""
    score = 0.0
    events = hear_trace(trace, look_s)
    with closing(events):
        try:
            for event in events:
                if isinstance(event, FrameHeard):
                    right = sum(event.parity_ok)
                    score += right - 0.5 * (len(event.parity_ok) - right)
                    score -= 0.05 * len(event.faults)
                elif isinstance(event, (Burst, Tone)):
                    score += 0.1
        except CaptureError:
            return score
    return score


def hear_trace(
    trace: Trace, look_s: float | None = None, *, told: Told = None
) -> Generator[Event, None, None]:
    """The events of one trace, unpaired; with `look_s`, of its first stretch only."""
    if isinstance(trace, Lines):
        for time_s, octets, _ in trace.chunks():
            yield FrameHeard(time_s, tuple(octets), (True,) * len(octets))
        return
    if isinstance(trace, Samples):
        yield from _hear_samples(trace, look_s, told)
    else:
        yield from _hear_edges(trace, look_s, told)


def _hear_samples(trace: Samples, look_s: float | None, told: Told) -> Iterator[Event]:
    from bridge.bus.receiver import SampleReceiver  # noqa: PLC0415  (numpy only where used)

    chunks: Iterable[Any]
    if trace.raw_chunks is not None:
        chunks, scale, offset = trace.raw_chunks(), trace.raw_scale, trace.raw_offset
    else:
        chunks, scale, offset = trace.chunks(), 1.0, 0.0
    receiver = SampleReceiver(trace.rate_hz, trace.start_s, trace.volts, scale, offset * scale)
    done = 0
    left = None if look_s is None else int(look_s * trace.rate_hz)
    for chunk in chunks:
        part = chunk if left is None else chunk[:left]
        yield from receiver.push(part)
        done += len(part)
        if told is not None:
            told(trace.start_s + done / trace.rate_hz)
        if left is not None:
            left -= len(part)
            if left <= 0:
                break
    yield from receiver.finish()


def _hear_edges(trace: Edges, look_s: float | None, told: Told) -> Iterator[Event]:
    from bridge.bus.receiver import EdgeReceiver  # noqa: PLC0415

    receiver = EdgeReceiver(trace.start_s, trace.resolution_s, trace.end_s)
    for times, levels in trace.chunks():
        if look_s is not None and len(times) and times[0] - trace.start_s > look_s:
            break
        yield from receiver.push(times, levels)
        if told is not None and len(times):
            told(float(times[-1]))
    yield from receiver.finish()
