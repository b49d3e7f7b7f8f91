r"""Edges of a logic line whose form is known -> marks, by its carrier or by its envelope.

carrier    _||_||_||_______||_||_      edges 19-28 us apart are one stretch of tone
envelope   _/-------\_______/--\_      one level is tone
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import nan
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus.keying.batch import NO_MARKS, MarkColumns
from bridge.signal.line_form import LineForm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times = NDArray[np.float64]
    Levels = NDArray[np.uint8]
    Truths = NDArray[np.bool_]

BREAK_S = 70e-6  # s without an edge that end tone; a period at 17.6 kHz is 57 us; judgement
BOUNCE_S = 3e-6  # s, shorter pulses are a comparator's chatter; judgement
HOLE_PERIODS = 1.45  # periods without an edge of one direction that show a hole; judgement
HELD_EDGES = 4096  # edges held of a stretch still on; more is continuous tone; judgement
FEWEST_PERIODS = 3  # periods, above which a hole in a stretch can be found; judgement
CUT_PERIODS = 2  # periods, above which the first is left out: keying may cut it; judgement


@dataclass(slots=True)
class LogicReader:
    """Edges of a line of known form, in any chunks -> marks.

    `open_s` is the start of a tone that is still on.
    """

    form: LineForm
    open_s: float | None = None
    _held: Times = field(default_factory=lambda: np.empty(0))  # edges of the stretch still on
    _is_begun: bool = False

    @property
    def holds_tone(self) -> bool:
        """Whether the level of the line means tone, and stays so until its next edge."""
        return self.open_s is not None and self.form is not LineForm.CARRIER

    def push(self, times: Times, levels: Levels) -> MarkColumns:
        """The marks that end with these edges: (n,) times in s and (n,) levels from each on."""
        match self.form:
            case LineForm.CARRIER:
                if not self._is_begun:  # the first pair is where the capture starts, not an edge
                    times = times[1:]
                self._is_begun = True
                return self._carrier(times)
            case LineForm.HIGH | LineForm.LOW:
                return self._envelope(times, levels == int(self.form is LineForm.HIGH))
            case LineForm.NONE:
                return NO_MARKS

    def rest(self, until_s: float) -> MarkColumns:
        """The tone that has ended, where a line has kept its level until a time."""
        if not len(self._held) or until_s - self._held[-1] <= BREAK_S:
            return NO_MARKS
        marks = self._last_stretch()
        self._held, self.open_s = np.empty(0), None
        return marks

    def finish(self, end_s: float | None) -> MarkColumns:
        """The tone still on where the line ends; None where its end is not known."""
        marks = NO_MARKS
        if self.form is LineForm.CARRIER:
            if len(self._held) > 1:
                marks = self._last_stretch()
        elif self.open_s is not None and end_s is not None and end_s > self.open_s:
            marks = _without_carrier(np.array([self.open_s]), np.array([end_s]))
        self.open_s = None
        return marks

    def _last_stretch(self) -> MarkColumns:
        spans = np.append(np.diff(self._held), 0.0)
        return _stretches(self._held, spans, np.array([0, len(self._held)]), self.open_s)

    def _envelope(self, times: Times, tone: Truths) -> MarkColumns:
        was_tone = np.append(self.open_s is not None, tone[:-1])
        on_s, off_s = times[tone & ~was_tone], times[was_tone & ~tone]
        if self.open_s is not None:
            on_s = np.append(self.open_s, on_s)
        self.open_s = float(on_s[-1]) if len(on_s) > len(off_s) else None
        return _without_carrier(on_s[: len(off_s)], off_s)

    def _carrier(self, times: Times) -> MarkColumns:
        times = np.concatenate((self._held, times))
        spans = np.diff(times)
        if len(spans) and spans.min() < BOUNCE_S:
            times = _debounce(times)
            spans = np.diff(times)
        if not len(times):
            return NO_MARKS
        bounds = np.append(0, np.flatnonzero(spans > BREAK_S) + 1)
        marks = NO_MARKS
        if len(bounds) > 1:
            marks = _stretches(times, spans, bounds, self.open_s)
            self.open_s = None
        held = times[bounds[-1] :]
        if self.open_s is None:
            self.open_s = float(held[0])
        self._held = held[-HELD_EDGES:]
        return marks


def _without_carrier(on_s: Times, off_s: Times) -> MarkColumns:
    return MarkColumns(on_s, off_s, np.full(len(on_s), np.nan))


def _stretches(
    edges: Times, spans: Times, bounds: NDArray[np.intp], open_s: float | None
) -> MarkColumns:
    """Stretches of carrier between bounds (numbers of edges), split where edges are missing.

    `spans` are the times from each edge to the next. The first stretch began at `open_s`, where
    that is given.
    """
    first = bounds[:-1]
    last = bounds[1:] - 1
    periods = (last - first) // 2
    skipped = (periods > CUT_PERIODS).astype(np.intp)
    start, whole = first + skipped, np.maximum(periods - skipped, 0)
    period_s = (edges[start + 2 * whole] - edges[start]) / np.maximum(whole, 1)
    on_s, off_s = edges[first], edges[last]
    if open_s is not None:
        on_s[0] = open_s
    carrier_hz = np.full(len(first), np.nan)
    np.divide(1.0, period_s, out=carrier_hz, where=periods > 0)
    marks = MarkColumns(on_s, off_s, carrier_hz)
    spans[last] = 0.0  # the quiet between two stretches
    widest = np.maximum.reduceat(spans[: bounds[-1]], first)
    judged = periods > FEWEST_PERIODS
    suspect = np.flatnonzero(judged & (2 * widest > HOLE_PERIODS * period_s))
    holes = {n: _find_holes(edges, first[n], last[n], period_s[n]) for n in suspect.tolist()}
    return _split(marks, edges, holes) if holes else marks


def _find_holes(edges: Times, first: int, last: int, period_s: float) -> list[int]:
    """The edges of a stretch after which some are missing."""
    times = edges[first : last + 1]
    wide = np.flatnonzero(times[2:] - times[:-2] > HOLE_PERIODS * period_s)
    wide += times[wide + 2] - times[wide + 1] > times[wide + 1] - times[wide]
    holes: list[int] = np.unique(first + wide).tolist()
    return holes


def _split(marks: MarkColumns, edges: Times, holes: dict[int, list[int]]) -> MarkColumns:
    """The marks, with each of those that have holes split there."""
    rows = []
    columns = (marks.on_s.tolist(), marks.off_s.tolist(), marks.carrier_hz.tolist())
    for n, (begin_s, off_s, carrier_hz) in enumerate(zip(*columns, strict=True)):
        on_s = begin_s
        for wide in holes.get(n, ()):
            if on_s < edges[wide]:
                rows.append((on_s, float(edges[wide]), nan))
            on_s = float(edges[wide + 1])
        if on_s < off_s or not holes.get(n):
            rows.append((on_s, off_s, carrier_hz))
    return MarkColumns(*np.array(rows).reshape(-1, 3).T)


def _debounce(times: Times) -> Times:
    """Edges without pulses too short for a carrier."""
    short = np.flatnonzero(np.diff(times) < BOUNCE_S)
    if not len(short):
        return times
    keep = np.ones(len(times), dtype=bool)
    taken = -1
    for n in short.tolist():
        if n > taken:
            keep[n] = keep[n + 1] = False
            taken = n + 1
    return times[keep]
