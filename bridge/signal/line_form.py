"""How a logic line shows tone: by a comparator's carrier, or by one level of an envelope.

A carrier toggles every 19-28 us while there is tone; an envelope holds one level for it. Either
may be inverted. Which level of an envelope means tone shows in the keying: stretches of tone
start a bit, 1.5 ms, apart and stretches of quiet do not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.signal.baseband import quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times = NDArray[np.float64]
    Levels = NDArray[np.uint8]

SLOWEST_PERIOD_S = 62e-6  # s, a carrier's longest period, 27 % above the nominal; judgement
FASTEST_PERIOD_S = 36e-6  # s, of a carrier 26 % above the nominal; judgement
FEWEST_EDGES = 4  # edges that show anything; judgement
FEWEST_STEADY = 3  # steady steps that show an envelope; judgement
STEADY_S = 3.2 * std.SLOT_TOLERANCE_S  # s either way of a bit, of three slots and room; judgement
CLEAR_SHARE = 0.9  # of the spans between edges, short ones of a carrier; judgement
CLEAR_RATIO = 1.3  # of steady steps at one level to those at the other; judgement
JUDGED_EDGES = (144, 1_024, 20_000)  # edges: two messages of an envelope, one of a carrier, and
# far more where neither was clear; judgement


class LineForm(Enum):
    """How a logic line shows tone, or that it shows none."""

    CARRIER = "toggles with the carrier"
    HIGH = "high while there is tone"
    LOW = "low while there is tone"
    NONE = "shows no tone"


def judge_form(times: Times, levels: Levels, *, surely: bool = False) -> LineForm | None:
    """How a line shows tone, by its first edges; NONE where they show no tone at all.

    The first pair is the level that the line starts with. With `surely` the answer is None
    where more edges might show it otherwise.
    """
    unclear = None if surely else LineForm.NONE
    if len(times) < FEWEST_EDGES:
        return unclear
    spans = np.diff(times)
    quick = np.count_nonzero(spans < SLOWEST_PERIOD_S)
    if quick > len(spans) / 2:
        period_s = quantile(times[2:] - times[:-2], 0.5)
        steady = FASTEST_PERIOD_S < period_s < SLOWEST_PERIOD_S
        clear = quick > CLEAR_SHARE * len(spans) and steady
        return LineForm.CARRIER if clear or not surely else None
    low, high = (_count_steady(times, levels, level) for level in (0, 1))
    most, least = max(low, high), min(low, high)
    if most < FEWEST_STEADY or (surely and most < CLEAR_RATIO * least + FEWEST_STEADY):
        return unclear
    return LineForm.HIGH if high >= low else LineForm.LOW


def _count_steady(times: Times, levels: Levels, level: int) -> int:
    """How many stretches at a level start one bit after the one before."""
    starts = times[levels == level]
    if len(starts) and starts[0] == times[0]:
        starts = starts[1:]  # the level the capture starts with began before it
    return int(np.count_nonzero(np.abs(np.diff(starts) - std.BIT_S) < STEADY_S))


@dataclass(slots=True)
class FormJudge:
    """Edges in any chunks, held until they show how the line shows tone."""

    _times: list[Times] = field(default_factory=list)
    _levels: list[Levels] = field(default_factory=list)
    _count: int = 0  # edges held
    _trials: int = 0  # of JUDGED_EDGES, done

    def push(self, times: Times, levels: Levels) -> LineForm | None:
        """The form, once enough edges show it; None while it takes more of them."""
        self._times.append(times)
        self._levels.append(levels)
        self._count += len(times)
        if self._count < JUDGED_EDGES[self._trials]:
            return None
        times, levels = self.held()
        self._times, self._levels = [times], [levels]
        while self._count >= (count := JUDGED_EDGES[self._trials]):
            is_last = self._trials == len(JUDGED_EDGES) - 1
            form = judge_form(times[:count], levels[:count], surely=not is_last)
            if form is not None:
                return form
            self._trials += 1
        return None

    def finish(self) -> LineForm:
        """The form by the edges that there are, where the line has ended."""
        form = judge_form(*self.held())
        return LineForm.NONE if form is None else form

    def held(self) -> tuple[Times, Levels]:
        """The edges held so far."""
        if not self._times:
            return np.empty(0), np.empty(0, np.uint8)
        return np.concatenate(self._times), np.concatenate(self._levels)
