"""One line, samples or edges -> events: the detector of the signal, then the reader of the bus."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from math import inf
from typing import TYPE_CHECKING, Any

from bridge.bus.event import Event, FrameHeard, Supply
from bridge.bus.keying.reader import BusReader, LineEnd, ToneUpdate
from bridge.signal.edge_detector import EdgeDetector
from bridge.signal.sample_detector import SampleDetector

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(slots=True)
class SampleDecoder:
    """Samples in any chunks -> events in time order; sample n lies at `start_s + n / rate_hz`.

    `scale` and `offset` turn what is pushed into the unit of the trace: raw * scale + offset.
    """

    rate_hz: float
    start_s: float = 0.0
    volts: bool = False
    scale: float = 1.0
    offset: float = 0.0
    _detector: SampleDetector = field(init=False)
    _reader: BusReader = field(init=False)
    _events: list[Event] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        self._detector = SampleDetector(
            self.rate_hz, self.start_s, self.volts, self.scale, self.offset
        )
        self._reader = BusReader(self.start_s)

    def push(self, chunk: NDArray[Any]) -> Iterator[Event]:
        """The events that became certain by a chunk of samples (1-D, any dtype)."""
        for found in self._detector.push(chunk):
            self._take(found)
        yield from self._release(min(self._detector.certain_s, self._reader.message_since_s))

    def finish(self) -> Iterator[Event]:
        """The events still held back when the samples end."""
        for found in self._detector.finish():
            self._take(found)
        yield from self._release(inf)

    def _take(self, found: ToneUpdate | LineEnd | Supply) -> None:
        match found:
            case ToneUpdate():
                self._events += map(self._with_supply, self._reader.push(found))
            case LineEnd():
                self._events += map(self._with_supply, self._reader.finish(found))
            case Supply():
                self._events.append(found)

    def _with_supply(self, event: Event) -> Event:
        if not isinstance(event, FrameHeard) or event.t_s is None:
            return event
        end_s = event.t_s + (event.duration_s or 0.0)
        return replace(event, supply_v=self._detector.supply_v(event.t_s, end_s))

    def _release(self, until_s: float) -> Iterator[Event]:
        self._events.sort(key=_time_of)
        while self._events and _time_of(self._events[0]) <= until_s:
            yield self._events.pop(0)


@dataclass(slots=True)
class EdgeDecoder:
    """Edges of a logic line in any chunks -> events; the first pair is the level it starts with."""

    start_s: float = 0.0
    resolution_s: float = 0.0
    end_s: float | None = None
    _detector: EdgeDetector = field(init=False)
    _reader: BusReader = field(init=False)

    def __post_init__(self) -> None:
        self._detector = EdgeDetector(self.resolution_s, self.end_s)
        self._reader = BusReader(self.start_s)

    @property
    def is_judged(self) -> bool:
        """Whether it is known how the line shows tone; until then all is held back."""
        return self._detector.is_judged

    def push(self, times: NDArray[np.float64], levels: NDArray[np.uint8]) -> Iterator[Event]:
        """The events that became certain by edges: (n,) times in s, (n,) levels from each on."""
        yield from self._reader.push(self._detector.push(times, levels))

    def advance(self, until_s: float) -> Iterator[Event]:
        """The events that became certain as the line has kept its level until a time."""
        yield from self._reader.push(self._detector.advance(until_s))

    def finish(self) -> Iterator[Event]:
        """The events still held back when the line ends."""
        update, end = self._detector.finish()
        yield from self._reader.push(update)
        yield from self._reader.finish(end)


def _time_of(event: Event) -> float:
    return event.t_s if event.t_s is not None else -inf
