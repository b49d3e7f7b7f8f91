"""The bus channel chosen: which traces of a capture carry the bus and the supply beside it.

The bus is found by what can be read on it, the supply by the levels it sits at.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from typing import TypeGuard

from bridge.bus.event import Burst, Event, FrameHeard, Tone
from bridge.capture.trace import Capture, Samples, Trace
from bridge.decode.supply_channel import find_supply
from bridge.decode.trace_events import ENDED_S, hear_steps
from bridge.errors import CaptureError

Progress = Callable[[float], None] | None

SLOWEST_HZ = 40e3  # samples/s, the least that hold a carrier of 17.6 kHz; judgement
FIRST_SPAN_S = 2.0  # s of each channel read to find the bus, more while there is none; judgement
SPAN_GROWTH = 8  # how much longer each further span is; judgement
CLEAR_SCORE = 2.0  # bytes with their parity that show the bus: a command has three; judgement
MOST_FAULTY = 200  # wrong bytes and faults on a channel of other traffic; judgement
WRONG_BYTE = 0.5  # score that a byte of wrong parity costs; judgement
FAULT = 0.05  # score that a fault costs; judgement
BURST_OR_TONE = 0.1  # score of a burst, and of a continuous tone's beginning or end; judgement
MOST_NAMED = 6  # channels not used that a sentence names; judgement


@dataclass(frozen=True, slots=True)
class Channels:
    """The traces to decode; `supply_v` is the level by which the supply was found, in V."""

    bus: Trace
    supply: Samples | None = None
    supply_v: float | None = None

    def describe(self, capture: Capture) -> str:
        """One sentence for a person: which channel was taken for what."""
        text = f"{capture.path}: bus on channel {self.bus.name!r}"
        if self.supply is not None:
            text += f", supply on channel {self.supply.name!r} ({self.supply_v:.1f} V at first)"
        rest = [t.name for t in capture.traces if t is not self.bus and t is not self.supply]
        if rest:
            more = f" and {len(rest) - MOST_NAMED} more" if len(rest) > MOST_NAMED else ""
            text += f"; not used: {', '.join(map(repr, rest[:MOST_NAMED]))}{more}"
        return text


def choose_channels(
    capture: Capture, channel: str | None = None, *, progress: Progress = None
) -> Channels:
    """The bus, or the channel that is named, and the supply beside it. Raises CaptureError.

    `progress` is called now and then with the time in s up to which a channel was read.
    """
    if channel is None:
        bus = find_bus(capture, progress=progress)
    else:
        bus = pick_channel(capture, channel)
    found = find_supply(capture, bus)
    return Channels(bus) if found is None else Channels(bus, *found)


def pick_channel(capture: Capture, channel: str) -> Trace:
    """The trace of that name. Raises CaptureError where it cannot carry the bus."""
    trace = capture.trace(channel)
    if _is_too_slow(trace):
        raise CaptureError(
            f"{capture.path}: channel {trace.name!r} has {trace.rate_hz:g} samples a second; a "
            f"carrier of 22 kHz needs {SLOWEST_HZ / 1e3:g} thousand or more, record it faster"
        )
    return trace


def find_bus(capture: Capture, *, progress: Progress = None) -> Trace:
    """The trace on which most can be read. Raises CaptureError where none can carry the bus.

    All are read over the same first span, and over a longer one while none is clear. A channel
    full of other traffic is not read again.
    """
    able = [trace for trace in capture.traces if not _is_too_slow(trace)]
    if not able:
        if capture.traces:
            pick_channel(capture, capture.traces[0].name)
        raise CaptureError(f"{capture.path}: holds no channel; record the bus again")
    if len(able) == 1:
        return able[0]
    best: dict[int, float] = dict.fromkeys(range(len(able)), 0.0)
    unclear = list(best)
    span_s = FIRST_SPAN_S
    while unclear:
        scores = {n: score_channel(able[n], span_s, progress) for n in unclear}
        best |= {n: score.points for n, score in scores.items()}
        if max(best.values()) >= CLEAR_SCORE:
            break
        unclear = [n for n, score in scores.items() if not (score.is_over or score.is_junk)]
        span_s *= SPAN_GROWTH
    return able[max(best, key=lambda n: (best[n], -n))]


def _is_too_slow(trace: Trace) -> TypeGuard[Samples]:
    return isinstance(trace, Samples) and trace.rate_hz < SLOWEST_HZ


@dataclass(slots=True)
class ChannelScore:
    """How much of a span reads as traffic of the bus.

    `is_over` where the trace ended within it, `is_junk` where it is full of other traffic.
    """

    points: float = 0.0
    faulty: int = 0  # wrong bytes and faults
    is_over: bool = False

    @property
    def is_junk(self) -> bool:
        """Whether this is traffic, but not that of the bus."""
        return self.faulty > MOST_FAULTY and self.points < 0

    def add(self, event: Event) -> None:
        """Count an event: bytes with their parity for the channel, others and faults against."""
        if isinstance(event, FrameHeard):
            right = sum(event.parity_ok)
            wrong = len(event.parity_ok) - right
            self.points += right - WRONG_BYTE * wrong - FAULT * len(event.faults)
            self.faulty += wrong + len(event.faults)
        elif isinstance(event, (Burst, Tone)):
            self.points += BURST_OR_TONE


def score_channel(trace: Trace, span_s: float, progress: Progress = None) -> ChannelScore:
    """How well the first span of a trace reads; damage in the file is its end."""
    score = ChannelScore()
    with closing(hear_steps(trace, span_s)) as steps:
        try:
            for step in steps:
                for event in step.events:
                    score.add(event)
                if step.reached_s == ENDED_S:
                    score.is_over = True
                elif progress is not None:
                    progress(step.reached_s)
                if score.is_junk:
                    break
        except CaptureError:
            score.is_over = True
    return score
