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
from bridge.bus.event import Burst, Event, Fault, FrameHeard, Noise, Supply, Tone
from bridge.bus.frame import LONGEST_READ
from bridge.bus.keying import BURST_A_S, Keyed, Keying, Message, Scrap
from bridge.bus.mark import Mark
from bridge.bus.parity import check_bytes
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
MEND_NATS = 9.0  # a bit decided more clearly than by e**9 was not turned by noise
JUDGE_EDGES = (144, 1_024, 20_000)  # edges after which a logic line is judged: two messages of
# an envelope, one of a carrier, and if neither was clear enough
LIKELY_VOLTS = (10.0, 21.0)  # a mean in this range is a supply in volts, said or not


def frame_heard(message: Message, supply_v: float | None = None) -> FrameHeard:
    """The frame that a message's bits make, with all that is wrong about it."""
    faults = list(message.faults)
    bits = _mend(message, faults)
    checked = check_bytes(bits)
    data, right, rest = checked.data, checked.parity_ok, checked.left_over
    for n, (byte, fits) in enumerate(zip(data, right, strict=True), start=1):
        if byte is None:
            faults.append(Fault("missing_bits", f"byte {n} of {len(data)} could not be read"))
        elif not fits:
            faults.append(Fault("parity", f"byte {n} of {len(data)} ({byte:02X}): wrong parity"))
    if rest:
        shown = "".join("?" if bit is None else str(bit) for bit in rest)
        what = f"{len(rest)} bit{'s' if len(rest) != 1 else ''} after the last whole byte: {shown}"
        faults.append(Fault("left_over_bits", what))
    if len(data) > LONGEST_READ:
        faults.append(Fault("too_long", f"{len(data)} bytes, {LONGEST_READ} at most allowed"))
    return FrameHeard(
        t_s=message.start_s,
        byte_values=data,
        parity_ok=right,
        duration_s=message.end_s - message.start_s,
        faults=tuple(faults),
        supply_v=supply_v,
        carrier_hz=message.carrier_hz,
        level_vpp=message.level_vpp,
        bits="".join("?" if bit is None else str(bit) for bit in bits),
    )


def _mend(message: Message, faults: list[Fault]) -> tuple[int | None, ...]:
    """The bits, with the one most in doubt turned in each byte whose parity does not fit.

    Only a bit that noise may well have turned is touched, and each is told of.
    """
    bits = list(message.bits)
    for start in range(0, len(bits) - std.BITS_PER_BYTE + 1, std.BITS_PER_BYTE):
        group = bits[start : start + std.BITS_PER_BYTE]
        margins = message.margins[start : start + std.BITS_PER_BYTE]
        known = [bit for bit in group if bit is not None]
        weakest = min(range(std.BITS_PER_BYTE), key=margins.__getitem__)
        if len(known) < std.BITS_PER_BYTE or sum(known) % 2 == 1 or margins[weakest] > MEND_NATS:
            continue
        bits[start + weakest] = 1 - known[weakest]
        n = start // std.BITS_PER_BYTE + 1
        what = "its parity bit" if weakest == std.BITS_PER_BYTE - 1 else f"bit {weakest + 1}"
        odds = f"likelihood ratio e**{margins[weakest]:.1f}"
        faults.append(Fault("mended", f"byte {n}: {what} turned to fit the parity, {odds}"))
    return tuple(bits)


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

    def _tell(self, keyed: Iterable[Keyed]) -> None:
        for item in keyed:
            self._events.append(_event_of(item, self._supply))

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
        yield from self._told(self._keying.finish(end_s, of_changes=of_changes))

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
            yield from self._told(self._keying.advance(now_s))
            return
        if now_s - open_s > BURST_A_S[1]:  # so long a tone ends what was before it
            yield from self._read(NO_MARKS, last=True)
        yield from self._told(self._keying.hold(open_s, now_s))

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
        yield from self._told(keying.advance(float(marks.on_s[0])))
        free_s = keying.free_from_s
        until_s = now_s if self._marks.open_s is None else self._marks.open_s
        runs = read_runs(marks, keying.grain_s, alone_from_s=free_s, until_s=until_s)
        goes_on = not last and until_s - marks.off_s[-1] <= std.END_OF_MESSAGE_S
        if goes_on and len(runs[-1]) <= MOST_MARKS and (len(runs) > 1 or free_s < np.inf):
            run = runs.pop()
            self._rest = marks.part(run.first, run.end)
        for run in runs:
            if run.frame is not None:
                yield from self._told(keying.advance(float(marks.on_s[run.first])))
                keying.pass_over(float(marks.off_s[run.end - 1]))
                yield run.frame
                continue
            for mark in marks.part(run.first, run.end).marks():
                for item in keying.push(mark):
                    yield _event_of(item, None)

    @staticmethod
    def _told(keyed: Iterable[Keyed]) -> Iterator[Event]:
        for item in keyed:
            yield _event_of(item, None)


def _event_of(item: Keyed, supply: SupplyTracker | None) -> Event:
    if isinstance(item, Message):
        supply_v = None if supply is None else supply.level(item.start_s, item.end_s)
        return frame_heard(item, supply_v)
    if isinstance(item, Scrap):
        return Noise(item.start_s, item.end_s - item.start_s, item.detail)
    return item


def _time_of(event: Burst | Tone | Supply | Noise | FrameHeard) -> float:
    return event.t_s if event.t_s is not None else -np.inf
