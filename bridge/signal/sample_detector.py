"""Samples -> what is known of the tone on the line, and the supply beside it.

samples -> activity -> strong_or_weak -> marks -> ToneUpdate
           `- means of blocks -> supply changes
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus.event import Supply
from bridge.bus.keying.reader import LineEnd, ToneUpdate
from bridge.signal.activity import ActivityDetector, Segment
from bridge.signal.baseband import quantile
from bridge.signal.strong_or_weak import detect_marks
from bridge.signal.supply import SupplyTracker

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.keying.mark import Mark

TIMING_ERROR_S = 0.03e-3  # s, edges of tone are timed to within this and a sample; judgement
SUPPLY_RANGE_V = (10.0, 21.0)  # V, a median in it is a supply in volts, named so or not; judgement


@dataclass(slots=True)
class SampleDetector:
    """Samples in any chunks -> tone updates; sample n lies at `start_s + n / rate_hz`.

    `scale` and `offset` turn what is pushed into the unit of the trace: raw * scale + offset.
    With `volts` this unit is V; it becomes true where the samples sit at a supply's level.
    """

    rate_hz: float
    start_s: float = 0.0
    volts: bool = False
    scale: float = 1.0
    offset: float = 0.0
    _activity: ActivityDetector = field(init=False)
    _supply: SupplyTracker | None = field(init=False, default=None)
    _pending: Mark | None = field(init=False, default=None)  # reaches to the end of its segment
    _is_unit_known: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        self._activity = ActivityDetector(self.rate_hz, self.scale, self.offset)

    @property
    def certain_s(self) -> float:
        """Time before which no tone and no change of the supply is still to come."""
        times = [self._settled_s]
        if self._pending is not None and not self._activity.in_steady_tone:
            times.append(self._pending.on_s)
        if self._supply is not None:
            times.append(self._supply.judged_s)
        return min(times)

    def supply_v(self, from_s: float, to_s: float) -> float | None:
        """The supply between two times, of the last seconds; None where none is seen."""
        return None if self._supply is None else self._supply.level(from_s, to_s)

    def push(self, chunk: NDArray[Any]) -> Iterator[ToneUpdate | Supply]:
        """What a chunk of samples (1-D, any dtype) adds; it must not change afterwards."""
        before = self._activity.samples
        for segment in self._activity.push(chunk):
            yield from self._detect(segment)
        if self._activity.samples == before:
            return  # they wait for more
        yield from self._track_supply()
        if self._pending is None:
            yield self._update([], known_until_s=self._settled_s)
        elif self._activity.in_steady_tone:
            yield self._update([], on_since_s=self._pending.on_s, known_until_s=self._now_s)

    def finish(self) -> Iterator[ToneUpdate | Supply | LineEnd]:
        """What the last samples add, and the end of the line."""
        for segment in self._activity.finish():
            yield from self._detect(segment)
        yield from self._track_supply()
        if self._supply is not None:
            yield from self._supply.finish()
        yield LineEnd(self._take_pending(), self._now_s)

    @property
    def _now_s(self) -> float:
        return self.start_s + self._activity.samples / self.rate_hz

    @property
    def _settled_s(self) -> float:
        return self.start_s + self._activity.settled_until / self.rate_hz

    def _update(self, marks: list[Mark], **known: float) -> ToneUpdate:
        return ToneUpdate(marks, TIMING_ERROR_S + 1 / self.rate_hz, **known)

    def _detect(self, segment: Segment) -> Iterator[ToneUpdate | Supply]:
        """The marks of a segment; a tone that goes on over its borders becomes one mark."""
        yield from self._track_supply()
        marks = detect_marks(segment, self.rate_hz, self.start_s, volts=self.volts)
        begin_s = self.start_s + segment.first / self.rate_hz
        end_s = begin_s + len(segment.samples) / self.rate_hz
        if self._pending is not None and segment.opens and marks and marks[0].on_s <= begin_s:
            marks[0] = replace(marks[0], on_s=self._pending.on_s)
            self._pending = None
        ended = self._take_pending()
        if marks and segment.closes and marks[-1].off_s >= end_s:
            self._pending = marks.pop()
        yield self._update(ended + marks)

    def _take_pending(self) -> list[Mark]:
        pending, self._pending = self._pending, None
        return [] if pending is None else [pending]

    def _track_supply(self) -> Iterator[Supply]:
        means, self._activity.means = self._activity.means, []
        values = np.concatenate(means).astype(np.float64) if means else np.empty(0)
        if not len(values):
            return
        if not self._is_unit_known:
            self._is_unit_known = True
            low_v, high_v = SUPPLY_RANGE_V
            self.volts = self.volts or low_v < quantile(values, 0.5) < high_v
            if self.volts:
                self._supply = SupplyTracker(self._activity.block / self.rate_hz, self.start_s)
        if self._supply is not None:
            yield from self._supply.push(values)
