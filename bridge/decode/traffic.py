"""A capture of any kind -> the events on the bus, streaming, replies paired with commands.

bus     -> hearing ----.
                        >-- in order of time --> pairing --> events
supply  -> its levels -'    frames learn the supply
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from bridge.bus.event import Event, FrameHeard
from bridge.bus.pairing import Pairing
from bridge.capture.trace import Capture, Samples
from bridge.decode.channels import Channels, choose_channels
from bridge.decode.hearing import ENDED_S, Step, hear_steps
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from bridge.bus.event import Supply

Told = Callable[[float], None] | None

PIECE_S = 1.0  # s of a supply taken at once: its levels are remembered for a few


def read_traffic(
    capture: Capture,
    *,
    channel: str | None = None,
    channels: Channels | None = None,
    told: Told = None,
) -> Iterator[Event]:
    """The events of a capture in time order; `channel` names the trace that carries the bus.

    `channels` are the traces where they are chosen already. `told` is called now and then with
    the time that was reached, in s. Raises CaptureError for a channel that is not there, or
    where the file stops making sense; what was heard before that is given first.
    """
    chosen = channels or choose_channels(capture, channel, told=told)
    steps: Iterator[Step] = hear_steps(chosen.bus)
    if chosen.supply is not None:
        steps = join_supply(steps, SupplyBeside(chosen.supply))
    else:
        capture.settle()
    pairing = Pairing()
    broken: CaptureError | None = None
    try:
        for step in steps:
            for event in step.events:
                yield from pairing.see(event)
            yield from pairing.advance(step.certain_s)
            if told is not None and abs(step.reached_s) < ENDED_S:
                told(step.reached_s)
    except CaptureError as error:
        broken = error
    yield from pairing.end()
    if broken is not None:
        raise broken


def join_supply(steps: Iterator[Step], supply: SupplyBeside) -> Iterator[Step]:
    """Put changes of the supply between the events, and its level to each frame."""
    for step in steps:
        events: list[Event] = []
        for event in step.events:
            if event.t_s is None:
                events.append(event)
                continue
            until_s = event.t_s
            if isinstance(event, FrameHeard):
                until_s += event.duration_s or 0.0
            supply.advance(until_s)
            events += supply.changes(event.t_s)
            if isinstance(event, FrameHeard):
                events.append(replace(event, supply_v=supply.level(event.t_s, until_s)))
            else:
                events.append(event)
        supply.advance(step.certain_s)
        events += supply.changes(step.certain_s)
        yield replace(step, events=events)


class SupplyBeside:
    """The supply on a channel of its own, read as far as it is asked for."""

    def __init__(self, trace: Samples) -> None:
        from bridge.signal.supply import STEP_S, SupplyTracker  # noqa: PLC0415  (numpy only where used)

        self._trace = trace
        self._block = max(1, round(STEP_S * trace.rate_hz))
        self._watch = SupplyTracker(self._block / trace.rate_hz, trace.start_s)
        self._means = self._read()
        self._changes: deque[Supply] = deque()
        self._ended = False

    def advance(self, until_s: float) -> None:
        """Read until all changes before a time are known."""
        while not self._ended and self._watch.judged_s <= until_s:
            try:
                means = next(self._means, None)
            except CaptureError:  # the pass over the bus comes to it as well, and tells
                means = None
            if means is None:
                self._ended = True
                self._changes += self._watch.finish()
            else:
                self._changes += self._watch.push(means)

    def changes(self, until_s: float) -> Iterator[Supply]:
        """Those up to a time that were not given yet."""
        while self._changes and self._changes[0].t_s <= until_s:
            yield self._changes.popleft()

    def level(self, from_s: float, to_s: float) -> float | None:
        return self._watch.level(from_s, to_s)

    def _read(self) -> Iterator[Means]:
        """Means of blocks, not more than PIECE_S of them at once."""
        import numpy as np  # noqa: PLC0415

        piece = max(1, round(PIECE_S * self._trace.rate_hz / self._block)) * self._block
        rest = np.zeros(0, np.float32)
        for chunk in self._trace.chunks():
            values = np.concatenate((rest, chunk)) if len(rest) else chunk
            whole = len(values) // self._block * self._block
            rest = values[whole:]
            for first in range(0, whole, piece):
                part = values[first : min(first + piece, whole)].astype(np.float64)
                yield part.reshape(-1, self._block).mean(axis=1)


if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Means = NDArray[np.float64]
