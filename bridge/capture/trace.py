"""One shape for every capture: traces with a time base, read again from the file at each pass.

    Capture
    `-- traces: Samples   evenly spaced analogue values
              | Edges     times at which a logic line changes
              | Lines     hex text, already frames

Times are seconds: in a WAV or NumPy file since the first sample, in a table as its time column
gives them, in a VCD file as its time stamps do, in hex text as each line does; a time of the day
counts from the midnight before the first one. A reader holds a few blocks at a time, whatever the
size of the file, and a call of `chunks()` starts a fresh pass. A pass may raise `CaptureError`
where the file stops making sense; what came before is good.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from bridge.errors import CaptureError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatBlock = NDArray[np.float32]
    RawBlock = NDArray[Any]
    EdgeBlock = tuple[NDArray[np.float64], NDArray[np.uint8]]
    EdgeStep = tuple[float, EdgeBlock | None]

UNKNOWN_LEVEL = 2  # level of a logic line that is neither 0 nor 1 (x, z); our own code


@dataclass(frozen=True, slots=True)
class Samples:
    """An evenly spaced analogue channel; sample n lies at `start_s + n / rate_hz`.

    `chunks` gives float32 arrays of one dimension and any length, never empty, in the unit of
    the channel: volts where `volts` is true (a guess, unless `states_volts`: the file says so),
    else full scale = 1 (WAV), counts (integer arrays) or whatever the file holds. `raw_chunks`,
    where a reader has it, gives the same samples as they lie in the file, before scaling:
    value = (raw + raw_offset) * raw_scale; it saves a conversion pass where a receiver does its
    own scaling, and may be a strided view.
    """

    name: str
    rate_hz: float
    start_s: float
    volts: bool
    chunks: Callable[[], Iterator[FloatBlock]]
    raw_chunks: Callable[[], Iterator[RawBlock]] | None = None
    raw_scale: float = 1.0
    raw_offset: float = 0.0
    states_volts: bool = False


@dataclass(frozen=True, slots=True)
class Edges:
    """A logic channel: a comparator's carrier, or its envelope.

    `chunks` gives (times_s float64, levels uint8) in time order, equal lengths, never empty.
    The first pair is the level that the capture starts with; each later level differs from the one
    before it (2 = unknown). `resolution_s` is the grain of the times: the time scale, or the
    sampling interval. `start_s` is the first moment of the capture; `end_s` the last, or None
    where only a whole pass would show it. `steps`, where a reader has it, is the same pass with
    the time that it has come to, and None for a stretch in which nothing changed: a line at rest
    can be left before its next edge.
    """

    name: str
    resolution_s: float
    start_s: float
    end_s: float | None
    chunks: Callable[[], Iterator[EdgeBlock]]
    steps: Callable[[], Iterator[EdgeStep]] | None = None


@dataclass(frozen=True, slots=True)
class Lines:
    """Hex text: each line is a frame, as (time_s or None, bytes, "file:line")."""

    name: str
    chunks: Callable[[], Iterator[tuple[float | None, bytes, str]]]


Trace = Samples | Edges | Lines


@dataclass(frozen=True, slots=True)
class Capture:
    """A file and the traces in it, in file order; `notes` are sentences for a person.

    How a receiver may pick the bus when nobody names it, cheapest first:

    1. one trace only, or `Lines`: that one;
    2. `Samples` with `rate_hz` of 44 kHz or more (a carrier of 17.6-26.4 kHz fits) whose first
       blocks hold energy in that band keyed in slots of 0.5 ms; of two, the one with more;
    3. `Edges` whose intervals cluster at 19-28 us (carrier) or at 0.5 and 1.0 ms (envelope);
       a serial line or a counter has neither, however busy it is;
    4. `Samples` or `Edges` that show a level only (13 or 18 V): the supply beside the bus.

    A pass over one trace of a text file scans the text once, so look at all traces over the
    same first stretch and go on only with the one that speaks. A note names what the file got
    wrong and what was done about it; `late_notes` grow while passes are made. `progress()` tells
    how much of the file the pass under way has read, from 0 to 1. `announce_last_pass()` promises
    that one more pass over one trace is all that comes, so that a pipe need not be copied.
    """

    path: str
    traces: tuple[Trace, ...]
    notes: tuple[str, ...] = ()
    progress: Callable[[], float] = lambda: 1.0
    announce_last_pass: Callable[[], None] = lambda: None
    late_notes: list[str] = field(default_factory=list)

    def trace(self, name: str) -> Trace:
        """Give the trace of that name, part of a dotted name, or number from 1.

        Raises CaptureError naming the traces there are.
        """
        folded = name.casefold()
        found: list[Trace] = []
        for look in range(3):
            found = [
                trace
                for trace in self.traces
                if name == trace.name
                or (look > 0 and folded == trace.name.casefold())
                or (look > 1 and folded == trace.name.casefold().rpartition(".")[2])
            ]
            if len(found) == 1:
                return found[0]
            if found:
                break
        if not found and name.isdecimal() and 1 <= int(name) <= len(self.traces):
            return self.traces[int(name) - 1]
        have = ", ".join(trace.name for trace in self.traces)
        what = "several channels answer to" if found else "no channel"
        raise CaptureError(f"{self.path}: {what} {name!r}; choose one of: {have}")
