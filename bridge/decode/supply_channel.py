"""The supply on a channel of its own: which one it is, and its level at any time of the bus."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from bridge.bus.event import Event, FrameHeard
from bridge.capture.trace import Capture, Edges, Samples, Trace
from bridge.decode.trace_events import EventBatch
from bridge.errors import CaptureError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bridge.bus.event import Supply

    Levels = NDArray[np.float64]

SPAN_S = 2.0  # s of a channel by which it is taken for the supply; judgement
BANDS_V = ((11.0, 14.5), (15.5, 20.0))  # V, 13 and 18 with cable, load and +1 V; judgement
BAND_SHARE = 0.9  # of its time that a supply spends in these bands; the rest is changes; judgement
BAND_SPREAD_V = 1.5  # V, from the lowest to the highest tenth of its levels in a band; judgement
OFF_V = 1.0  # V, below it a channel that is named a supply is one that is still off; judgement
BUS_SUPPLY_V = (10.0, 21.0)  # V, a bus that sits there carries the supply itself; judgement
LEVEL_S = 1e-3  # s over which levels are averaged; judgement
PIECE_S = 1.0  # s of a supply taken at once: its levels are remembered for 4; judgement
_SUPPLY_NAME = re.compile(
    r"suppl|lnb|psu|power|13\s*[/_v-]?\s*18|\bdc\b|\bv_?(?:in|cc|dd|s|sup|bus|lnb)\b", re.IGNORECASE
)
_PLAIN_NAME = re.compile(  # says nothing of what is measured, or only that it is volts
    r"(?:ch|chan|channel|column|col|samples|analog(?:ue)?|input|in|probe|trace|data|[a-d])?"
    r"[ _.-]?\d*|.*\bv(?:olts?|oltage)?\b.*|.*volt.*",
    re.IGNORECASE,
)


def find_supply(capture: Capture, bus: Trace) -> tuple[Samples, float] | None:
    """The channel that holds the supply of a bus that is AC coupled or logic, and its level."""
    others = [t for t in capture.traces if isinstance(t, Samples) and t is not bus]
    if not others or not isinstance(bus, (Samples, Edges)):
        return None
    if isinstance(bus, Samples):
        levels = levels_of(bus, SPAN_S)
        low_v, high_v = BUS_SUPPLY_V
        if len(levels) and low_v < _median(levels) < high_v:
            return None  # it is DC coupled: the supply is on it
    found = []
    for n, trace in enumerate(others):
        is_named = _SUPPLY_NAME.search(trace.name) is not None
        may_be = trace.states_volts or (trace.volts and _PLAIN_NAME.fullmatch(trace.name))
        if not (is_named or may_be):
            continue  # another quantity, counts or parts of full scale
        levels = levels_of(trace, SPAN_S)
        if not len(levels):
            continue
        is_off = is_named and trace.volts and float(abs(levels).max()) < OFF_V
        if is_off or _is_supply(levels):
            found.append(((is_named, not is_off, -n), trace, _median(levels)))
    if not found:
        return None
    _, trace, level_v = max(found, key=lambda row: row[0])
    return trace, level_v


def _is_supply(levels: Levels) -> bool:
    """Whether levels, in V, keep to the bands of a supply and are steady there."""
    import numpy as np  # noqa: PLC0415

    inside = 0
    for low, high in BANDS_V:
        some = levels[(levels > low) & (levels < high)]
        inside += len(some)
        if len(some) and float(np.ptp(np.quantile(some, [0.1, 0.9]))) > BAND_SPREAD_V:
            return False
    return inside >= BAND_SHARE * len(levels)


def levels_of(trace: Samples, span_s: float) -> Levels:
    """Mean levels of the first span of a trace, LEVEL_S apart or as its samples come: (n,)."""
    import numpy as np  # noqa: PLC0415

    count = max(1, round(LEVEL_S * trace.rate_hz))
    left = max(count, int(span_s * trace.rate_hz))
    means: list[Levels] = []
    rest = np.zeros(0, np.float32)
    try:
        for chunk in trace.chunks():
            part = np.concatenate((rest, np.nan_to_num(chunk[:left])))
            left -= len(part) - len(rest)
            whole = len(part) // count * count
            means.append(part[:whole].reshape(-1, count).mean(axis=1, dtype=np.float64))
            rest = part[whole:]
            if left <= 0:
                break
    except CaptureError:
        pass
    levels = np.concatenate(means) if means else np.zeros(0)
    return levels if len(levels) or not len(rest) else np.array([rest.mean(dtype=np.float64)])


def _median(levels: Levels) -> float:
    import numpy as np  # noqa: PLC0415

    return float(np.median(levels))


class SupplyChannel:
    """The supply on a channel of its own, read as far as it is asked for.

    Damage in the file ends it without an error: the pass over the bus comes to it as well.
    """

    def __init__(self, trace: Samples) -> None:
        from bridge.signal.supply import STEP_S, SupplyTracker  # noqa: PLC0415  (numpy only where used)

        self._trace = trace
        self._block = max(1, round(STEP_S * trace.rate_hz))
        self._tracker = SupplyTracker(self._block / trace.rate_hz, trace.start_s)
        self._means = self._read()
        self._changes: deque[Supply] = deque()
        self._ended = False

    def advance(self, until_s: float) -> None:
        """Read until all changes before a time are known."""
        while not self._ended and self._tracker.judged_s <= until_s:
            try:
                means = next(self._means, None)
            except CaptureError:
                means = None
            if means is None:
                self._ended = True
                self._changes += self._tracker.finish()
            else:
                self._changes += self._tracker.push(means)

    def changes(self, until_s: float) -> Iterator[Supply]:
        """The changes up to a time that were not given yet."""
        while self._changes and self._changes[0].t_s <= until_s:
            yield self._changes.popleft()

    def level(self, from_s: float, to_s: float) -> float | None:
        """The supply between two times, in V; None where none is seen."""
        return self._tracker.level(from_s, to_s)

    def _read(self) -> Iterator[Levels]:
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


def join_supply(steps: Iterator[EventBatch], supply: SupplyChannel) -> Iterator[EventBatch]:
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
