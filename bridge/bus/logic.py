"""Edges of a logic line -> stretches of tone: a comparator's carrier, or its envelope.

A carrier toggles every 19-28 us while there is tone; an envelope holds one level for it. Either
may be inverted; which level means tone shows in the keying, where stretches of tone start 1.5 ms
apart and stretches of quiet do not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.slots import Mark

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times = NDArray[np.float64]
    Levels = NDArray[np.uint8]

BREAK_S = 70e-6  # s between edges that end a stretch of carrier: a period at 17.6 kHz is 57 us
BOUNCE_S = 3e-6  # s, shorter pulses are a comparator's chatter
NOTCH_PERIODS = 1.45  # periods without an edge of one direction that show a notch
HELD_EDGES = 4096  # edges kept of a stretch still on: more is continuous tone
FEWEST_PERIODS = 3  # periods that tell what is usual in a stretch
SLOWEST_S = 62e-6  # s, a carrier's longest period, 27 % below the nominal


@dataclass(frozen=True, slots=True)
class Manner:
    """How a logic line shows tone: as a carrier, or as one level of an envelope."""

    carrier: bool
    tone_level: int = 1


def judge(times: Times, levels: Levels) -> Manner | None:
    """Tell from the first edges how a line shows tone; None if it shows none."""
    if len(times) < 4:
        return None
    spans = np.diff(times)
    quick = np.count_nonzero(spans < SLOWEST_S)
    if quick > len(spans) / 2:
        return Manner(carrier=True)
    scores = []
    for level in (0, 1):
        starts = times[levels == level]
        if len(starts) and starts[0] == times[0]:
            starts = starts[1:]  # the level the capture starts with began before it
        steps = np.diff(starts)
        near = np.abs(steps - std.BIT_S) < 3.2 * std.SLOT_TOLERANCE_S
        scores.append(float(np.count_nonzero(near)))
    if max(scores) < 3:
        return None
    return Manner(carrier=False, tone_level=int(scores[1] >= scores[0]))


@dataclass(slots=True)
class LogicMarks:
    """Edges in any chunks -> marks; `open_s` is the start of a tone that is still on."""

    manner: Manner
    open_s: float | None = None
    _held: Times = field(default_factory=lambda: np.empty(0))
    _begun: bool = False

    def push(self, times: Times, levels: Levels) -> Iterator[Mark]:
        if self.manner.carrier:
            if not self._begun:  # the first pair is where the capture starts, not an edge
                times = times[1:]
            self._begun = True
            yield from self._carrier(times)
        else:
            yield from self._envelope(times, levels)

    def finish(self, end_s: float | None) -> Iterator[Mark]:
        if self.manner.carrier:
            if len(self._held) > 1:
                yield from _stretches(self._held, [0, len(self._held)], self.open_s)
        elif self.open_s is not None and end_s is not None and end_s > self.open_s:
            yield Mark(self.open_s, end_s)
        self.open_s = None

    def _envelope(self, times: Times, levels: Levels) -> Iterator[Mark]:
        is_tone = levels == self.manner.tone_level
        for time_s, tone in zip(times.tolist(), is_tone.tolist(), strict=True):
            if tone and self.open_s is None:
                self.open_s = time_s
            elif not tone and self.open_s is not None:
                yield Mark(self.open_s, time_s)
                self.open_s = None

    def _carrier(self, times: Times) -> Iterator[Mark]:
        times = _debounce(np.concatenate((self._held, times)))
        if not len(times):
            return
        breaks = np.flatnonzero(np.diff(times) > BREAK_S) + 1
        bounds = [0, *breaks.tolist()]
        if len(bounds) > 1:
            yield from _stretches(times, bounds, self.open_s)
            self.open_s = None
        held = times[bounds[-1] :]
        if self.open_s is None:
            self.open_s = float(held[0])
        self._held = held[-HELD_EDGES:]


def _stretches(edges: Times, bounds: list[int], open_s: float | None) -> Iterator[Mark]:
    """Stretches of carrier between bounds, parted where edges are missing in one.

    The first began at `open_s`, where that is given.
    """
    first = np.array(bounds[:-1])
    last = np.array(bounds[1:]) - 1
    periods = (last - first) // 2
    whole = edges[first + 2 * periods] - edges[first]
    period_s = whole / np.maximum(periods, 1)
    spans = edges[2 : bounds[-1]] - edges[: max(bounds[-1] - 2, 0)]
    owner = np.searchsorted(first, np.arange(len(spans)), side="right") - 1
    holes: dict[int, list[int]] = {}
    judged = periods > FEWEST_PERIODS
    suspects = (spans > NOTCH_PERIODS * period_s[owner]) & judged[owner]
    suspects &= np.arange(len(spans)) + 2 <= last[owner]
    for n in np.flatnonzero(suspects).tolist():
        wide = n + int(edges[n + 2] - edges[n + 1] > edges[n + 1] - edges[n])
        kept = holes.setdefault(int(owner[n]), [])
        if wide not in kept:
            kept.append(wide)
    rows = zip(
        edges[first].tolist(),
        edges[last].tolist(),
        period_s.tolist(),
        periods.tolist(),
        strict=True,
    )
    for n, (on_s, off_s, own_s, count) in enumerate(rows):
        begin_s = open_s if n == 0 and open_s is not None else on_s
        carrier_hz = 1.0 / own_s if count else None
        for wide in holes.get(n, ()):
            if begin_s < edges[wide]:
                yield Mark(begin_s, float(edges[wide]))
            begin_s = float(edges[wide + 1])
        if begin_s < off_s or count == 0:
            yield Mark(begin_s, off_s, carrier_hz=carrier_hz)


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
