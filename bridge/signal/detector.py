"""Samples or edges in, events out: what stands between a trace and what is heard on it.

samples -> activity -> strong (or weak) -> keying -> events  supply beside it
edges   -> logic                  -> keying -> events
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus import standard as std
from bridge.bus.event import Burst, Event, FrameHeard, Noise, Supply, Tone
from bridge.bus.keying import BURST_A_S, Keying
from bridge.bus.mark import Mark
from bridge.signal.activity import ActivityDetector, Segment
from bridge.signal.baseband import quantile
from bridge.signal.clean import MOST_MARKS, NO_MARKS, MarkColumns, read_runs
from bridge.signal.logic import LogicMarks, Manner, judge
from bridge.signal.strong import hear
from bridge.signal.supply import SupplyTracker

if TYPE_CHECKING:
    from numpy.typing import NDArray

ANALOGUE_GRAIN_S = 0.03e-3  # s, how finely edges of tone are timed, and a sample besides,
CARRIER_GRAIN_S = 0.07e-3  # s, by a comparator (a period, and the flanks of a triangle),
ENVELOPE_GRAIN_S = 0.04e-3  # s, and by an envelope (its detector's delays)
JUDGE_EDGES = (144, 1_024, 20_000)  # edges after which a logic line is judged: two messages of
# an envelope, one of a carrier, and if neither was clear enough
LIKELY_VOLTS = (10.0, 21.0)  # a mean in this range is a supply in volts, said or not


@dataclass(slots=True)
class SampleReceiver:
    """Samples in any chunks -> events in time order; sample n lies at `start_s + n / rate_hz`.

    `scale` and `offset` turn what is pushed into the unit of the trace: raw * scale + offset.
    """

    rate_hz: float
    start_s: float = 0.0
    volts: bool = False
    scale: float = 1.0
    offset: float = 0.0
    _activity: ActivityDetector = field(init=False)
    _keying: Keying = field(init=False)
    _supply: SupplyTracker | None = field(init=False, default=None)
    _pending: Mark | None = field(init=False, default=None)
    _events: list[Event] = field(init=False, default_factory=list)
    _begun: bool = field(init=False, default=False)

    def __post_init__(self) -> None:
        self._activity = ActivityDetector(self.rate_hz, self.scale, self.offset)
        self._keying = Keying(ANALOGUE_GRAIN_S + 1 / self.rate_hz, self.start_s)

    def push(self, chunk: NDArray[Any]) -> Iterator[Event]:
        skimmed = self._activity.samples
        for stretch in self._activity.push(chunk):
            self._hear(stretch)
        if self._activity.samples == skimmed:
            return  # they wait for more
        self._watch_supply()
        self._settle()
        yield from self._release(self._certain_s())

    def finish(self) -> Iterator[Event]:
        for stretch in self._activity.finish():
            self._hear(stretch)
        self._watch_supply()
        if self._supply is not None:
            self._events += self._supply.finish()
        self._flush_pending()
        end_s = self.start_s + self._activity.samples / self.rate_hz
        self._tell(self._keying.finish(end_s))
        yield from self._release(np.inf)

    def _hear(self, stretch: Segment) -> None:
        self._watch_supply()
        marks = hear(stretch, self.rate_hz, self.start_s, volts=self.volts)
        begin_s = self.start_s + stretch.first / self.rate_hz
        if self._pending is not None and stretch.opens and marks and marks[0].on_s <= begin_s:
            marks[0] = replace(marks[0], on_s=self._pending.on_s)
            self._pending = None
        self._flush_pending()
        end_s = begin_s + len(stretch.samples) / self.rate_hz
        if marks and stretch.closes and marks[-1].off_s >= end_s:
            self._pending = marks.pop()
        for mark in marks:
            self._tell(self._keying.push(mark))

    def _flush_pending(self) -> None:
        if self._pending is not None:
            pending, self._pending = self._pending, None
            self._tell(self._keying.push(pending))

    def _settle(self) -> None:
        """Let the keying know what time is over."""
        if self._pending is None:
            idle_s = self.start_s + self._activity.settled_until / self.rate_hz
            self._tell(self._keying.advance(idle_s))
        elif self._activity.in_steady_tone:
            now_s = self.start_s + self._activity.samples / self.rate_hz
            self._tell(self._keying.hold(self._pending.on_s, now_s))

    def _watch_supply(self) -> None:
        means, self._activity.means = self._activity.means, []
        if not means:
            return
        values = np.concatenate(means).astype(np.float64)
        if not len(values):
            return
        if not self._begun:
            self._begun = True
            middle = quantile(values, 0.5)
            self.volts = self.volts or LIKELY_VOLTS[0] < middle < LIKELY_VOLTS[1]
            if self.volts:
                self._supply = SupplyTracker(self._activity.block / self.rate_hz, self.start_s)
        if self._supply is not None:
            self._events += self._supply.push(values)

    def _tell(self, keyed: Iterable[Event]) -> None:
        for item in keyed:
            self._events.append(self._with_supply(item))

    def _with_supply(self, event: Event) -> Event:
        if self._supply is None or not isinstance(event, FrameHeard) or event.t_s is None:
            return event
        end_s = event.t_s + (event.duration_s or 0.0)
        return replace(event, supply_v=self._supply.level(event.t_s, end_s))

    def _certain_s(self) -> float:
        """Time before which nothing more is to be told."""
        times = [self.start_s + self._activity.settled_until / self.rate_hz]
        if self._keying.since_s is not None:
            times.append(self._keying.since_s)
        if self._pending is not None and not self._activity.in_steady_tone:
            times.append(self._pending.on_s)
        if self._supply is not None:
            times.append(self._supply.judged_s)
        return min(times)

    def _release(self, until_s: float) -> Iterator[Event]:
        self._events.sort(key=_time_of)
        while self._events and _time_of(self._events[0]) <= until_s:
            yield self._events.pop(0)


@dataclass(slots=True)
class EdgeReceiver:
    """Edges of a logic line in any chunks -> events; the first pair is the level it starts with."""

    start_s: float = 0.0
    resolution_s: float = 0.0
    end_s: float | None = None
    _early: list[tuple[NDArray[np.float64], NDArray[np.uint8]]] = field(default_factory=list)
    _early_count: int = 0
    _judged: int = 0  # how often
    _marks: LogicMarks | None = None
    _keying: Keying | None = None
    _rest: MarkColumns = NO_MARKS  # of a message that may go on
    _last_s: float | None = None
    _dumb: bool = False

    @property
    def is_judged(self) -> bool:
        """Whether it is known how the line shows tone; until then all is held back."""
        return self._marks is not None or self._dumb

    def push(self, times: NDArray[np.float64], levels: NDArray[np.uint8]) -> Iterator[Event]:
        if self._dumb or not len(times):
            return
        self._last_s = float(times[-1])
        if self._marks is None:
            self._early.append((times, levels))
            self._early_count += len(times)
            if self._early_count >= JUDGE_EDGES[self._judged]:
                yield from self._begin()
            return
        yield from self._take(times, levels)

    def advance(self, until_s: float) -> Iterator[Event]:
        """Take note that the line has kept its level until a time."""
        if self._marks is None or self._keying is None or self._last_s is None:
            return
        now_s = max(until_s, self._last_s)
        yield from self._read(self._marks.rest(until_s), now_s)
        yield from self._wait(now_s)

    def finish(self) -> Iterator[Event]:
        if self._marks is None and self._early:
            yield from self._begin(last=True)
        if self._marks is None or self._keying is None:
            return
        end_s = self.end_s if self.end_s is not None else self._last_s
        is_on = self._marks.open_s is not None and not self._marks.manner.carrier
        of_changes = not is_on and (end_s or 0.0) - (self._last_s or 0.0) <= self.resolution_s
        yield from self._read(self._marks.finish(end_s), last=True)
        yield from (self._keying.finish(end_s, of_changes=of_changes))

    def _begin(self, *, last: bool = False) -> Iterator[Event]:
        times = np.concatenate([pair[0] for pair in self._early])
        levels = np.concatenate([pair[1] for pair in self._early])
        manner = None
        surely = True
        while manner is None and surely and JUDGE_EDGES[self._judged] <= len(times):
            count = JUDGE_EDGES[self._judged]
            self._judged += 1
            surely = self._judged < len(JUDGE_EDGES)
            manner = judge(times[:count], levels[:count], surely=surely)
        if manner is None and surely and not last:
            self._early = [(times, levels)]
            return
        if manner is None and surely:
            manner = judge(times, levels)
        self._early = []
        if manner is None:
            self._dumb = True
            return
        self._marks = LogicMarks(manner)
        grain_s = self._grain_s(manner)
        self._keying = Keying(grain_s + self.resolution_s, self.start_s)
        yield from self._take(times, levels)

    @staticmethod
    def _grain_s(manner: Manner) -> float:
        return CARRIER_GRAIN_S if manner.carrier else ENVELOPE_GRAIN_S

    def _take(self, times: NDArray[np.float64], levels: NDArray[np.uint8]) -> Iterator[Event]:
        assert self._marks is not None
        assert self._keying is not None
        now_s = float(times[-1])
        yield from self._read(self._marks.push(times, levels), now_s)
        yield from self._wait(now_s)

    def _wait(self, now_s: float) -> Iterator[Event]:
        assert self._marks is not None
        assert self._keying is not None
        open_s = self._marks.open_s
        if open_s is None:
            yield from (self._keying.advance(now_s))
            return
        if now_s - open_s > BURST_A_S[1]:  # so long a tone ends what was before it
            yield from self._read(NO_MARKS, last=True)
        yield from (self._keying.hold(open_s, now_s))

    def _read(
        self, marks: MarkColumns, now_s: float = 0.0, *, last: bool = False
    ) -> Iterator[Event]:
        """What these marks say: plain messages many at once, the rest mark by mark.

        A message that may go on waits for its other marks, if not the `last`.
        """
        marks, self._rest = self._rest.then(marks), NO_MARKS
        if not len(marks):
            return
        assert self._marks is not None
        assert self._keying is not None
        keying = self._keying
        yield from keying.advance(float(marks.on_s[0]))
        free_s = keying.free_from_s
        until_s = now_s if self._marks.open_s is None else self._marks.open_s
        runs = read_runs(marks, keying.grain_s, alone_from_s=free_s, until_s=until_s)
        goes_on = not last and until_s - marks.off_s[-1] <= std.END_OF_MESSAGE_S
        if goes_on and len(runs[-1]) <= MOST_MARKS and (len(runs) > 1 or free_s < np.inf):
            run = runs.pop()
            self._rest = marks.part(run.first, run.end)
        for run in runs:
            if run.frame is not None:
                yield from (keying.advance(float(marks.on_s[run.first])))
                keying.pass_over(float(marks.off_s[run.end - 1]))
                yield run.frame
                continue
            for mark in marks.part(run.first, run.end).marks():
                yield from keying.push(mark)


def _time_of(event: Burst | Tone | Supply | Noise | FrameHeard) -> float:
    return event.t_s if event.t_s is not None else -np.inf
