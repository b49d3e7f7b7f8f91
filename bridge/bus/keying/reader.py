"""The one door from a line to the bus: stretches of tone in, events out.

marks -> batch (many at once, nothing wrong) or keying (mark by mark) -> events
         slots -> bits -> mending -> parity -> bytes -> FrameHeard
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import inf

from bridge.bus import standard as std
from bridge.bus.event import Event
from bridge.bus.keying.batch import MOST_MARKS, NO_MARKS, MarkColumns, read_batch
from bridge.bus.keying.keying import BURST_A_S, Keying
from bridge.bus.keying.mark import Mark

Marks = Sequence[Mark] | MarkColumns


@dataclass(frozen=True, slots=True)
class ToneUpdate:
    """What became known of the tone on a line: `marks` that ended since the last update.

    Their edges are timed to within `timing_error_s`. A tone is on since `on_since_s`, or there
    is none. `known_until_s` is the time up to which there is no other tone; -inf where that
    is not known.
    """

    marks: Marks
    timing_error_s: float
    on_since_s: float | None = None
    known_until_s: float = -inf


@dataclass(frozen=True, slots=True)
class LineEnd:
    """The last marks of a line, and when it ends; None where that is not known.

    With `at_last_edge` the end is that of the last edge written: more quiet may follow it.
    """

    marks: Marks
    end_s: float | None
    at_last_edge: bool = False


@dataclass(slots=True)
class BusReader:
    """Updates on the tone of one line, in time order -> events.

    `start_s` is the first moment of the capture: what begins there may be cut off.
    """

    start_s: float
    _keying: Keying = field(init=False)
    _unfinished: MarkColumns = NO_MARKS  # marks of a message that may go on

    def __post_init__(self) -> None:
        self._keying = Keying(start_s=self.start_s)

    @property
    def message_since_s(self) -> float:
        """Start of the message that may go on; inf where there is none."""
        if len(self._unfinished):
            return float(self._unfinished.on_s[0])
        return self._keying.since_s if self._keying.since_s is not None else inf

    def push(self, update: ToneUpdate) -> Iterator[Event]:
        """The events that became certain by an update."""
        self._keying.timing_error_s = update.timing_error_s
        on_s, now_s = update.on_since_s, update.known_until_s
        if isinstance(update.marks, MarkColumns):
            yield from self._read(update.marks, now_s if on_s is None else on_s)
        else:
            for mark in update.marks:
                yield from self._keying.push(mark)
        if on_s is None:
            yield from self._keying.advance(now_s)
            return
        if now_s - on_s > BURST_A_S[1]:  # a tone this long ends the message before it
            yield from self._read(NO_MARKS, on_s, may_go_on=False)
        yield from self._keying.hold(on_s, now_s)

    def finish(self, end: LineEnd) -> Iterator[Event]:
        """The events still held back when the line ends."""
        if isinstance(end.marks, MarkColumns):
            yield from self._read(end.marks, -inf, may_go_on=False)
        else:
            for mark in end.marks:
                yield from self._keying.push(mark)
        yield from self._keying.finish(end.end_s, at_last_edge=end.at_last_edge)

    def _read(
        self, marks: MarkColumns, quiet_until_s: float, *, may_go_on: bool = True
    ) -> Iterator[Event]:
        """The events of these marks: faultless messages many at once, the rest mark by mark.

        There is no tone after them up to `quiet_until_s`. A message that may go on waits.
        """
        marks, self._unfinished = self._unfinished.then(marks), NO_MARKS
        if not len(marks):
            return
        keying = self._keying
        yield from keying.advance(float(marks.on_s[0]))
        alone_from_s = keying.alone_from_s
        runs = read_batch(
            marks, keying.timing_error_s, alone_from_s=alone_from_s, until_s=quiet_until_s
        )
        goes_on = may_go_on and quiet_until_s - marks.off_s[-1] <= std.END_OF_MESSAGE_S
        if goes_on and len(runs[-1]) <= MOST_MARKS and (len(runs) > 1 or alone_from_s < inf):
            run = runs.pop()
            self._unfinished = marks.part(run.first, run.end)
        for run in runs:
            if run.frame is not None:
                yield from keying.advance(float(marks.on_s[run.first]))
                keying.pass_over(float(marks.off_s[run.end - 1]))
                yield run.frame
                continue
            for mark in marks.part(run.first, run.end).marks():
                yield from keying.push(mark)
