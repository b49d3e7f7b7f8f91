"""Edges of a logic line -> what is known of the tone on it.

edges -> FormJudge (how does the line show tone?) -> LogicReader (where is tone?) -> ToneUpdate
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bridge.bus.keying.batch import NO_MARKS, MarkColumns
from bridge.bus.keying.reader import LineEnd, ToneUpdate
from bridge.signal.line_form import FormJudge, LineForm
from bridge.signal.logic import LogicReader

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Times = NDArray[np.float64]
    Levels = NDArray[np.uint8]

TIMING_ERROR_S = {  # s, edges of tone are timed to within this and the capture's tick; judgement
    LineForm.CARRIER: 0.07e-3,  # a period, and the flanks of a triangle
    LineForm.HIGH: 0.04e-3,  # the delays of an envelope detector
    LineForm.LOW: 0.04e-3,
    LineForm.NONE: 0.0,
}


@dataclass(slots=True)
class EdgeDetector:
    """Edges in any chunks -> tone updates; the first pair is the level the line starts with.

    `resolution_s` is the capture's tick; the line ends at `end_s`, or with its last edge.
    """

    resolution_s: float = 0.0
    end_s: float | None = None
    _stage: FormJudge | LogicReader = field(default_factory=FormJudge)
    _last_s: float | None = None  # time of the latest edge

    @property
    def is_judged(self) -> bool:
        """Whether it is known how the line shows tone; until then all edges are held back."""
        return isinstance(self._stage, LogicReader)

    def push(self, times: Times, levels: Levels) -> ToneUpdate:
        """What edges add: (n,) times in s, ascending, and (n,) levels from each time on."""
        if not len(times):
            return self._update(NO_MARKS)
        self._last_s = float(times[-1])
        if isinstance(self._stage, LogicReader):
            return self._read(self._stage, times, levels)
        form = self._stage.push(times, levels)
        return self._update(NO_MARKS) if form is None else self._begin(self._stage, form)

    def advance(self, until_s: float) -> ToneUpdate:
        """What it adds that the line has kept its level until a time."""
        if isinstance(self._stage, FormJudge) or self._last_s is None:
            return self._update(NO_MARKS)
        return self._update(self._stage.rest(until_s), max(until_s, self._last_s))

    def finish(self) -> tuple[ToneUpdate, LineEnd]:
        """What the edges held back add, and the end of the line."""
        update = self._update(NO_MARKS)
        if isinstance(self._stage, FormJudge):
            update = self._begin(self._stage, self._stage.finish())
        assert isinstance(self._stage, LogicReader)
        end_s = self.end_s if self.end_s is not None else self._last_s
        after_s = (end_s or 0.0) - (self._last_s or 0.0)
        at_last_edge = not self._stage.holds_tone and after_s <= self.resolution_s
        return update, LineEnd(self._stage.finish(end_s), end_s, at_last_edge)

    def _begin(self, judge: FormJudge, form: LineForm) -> ToneUpdate:
        self._stage = LogicReader(form)
        return self._read(self._stage, *judge.held())

    def _read(self, reader: LogicReader, times: Times, levels: Levels) -> ToneUpdate:
        if not len(times):
            return self._update(NO_MARKS)
        return self._update(reader.push(times, levels), float(times[-1]))

    def _update(self, marks: MarkColumns, known_until_s: float = float("-inf")) -> ToneUpdate:
        if isinstance(self._stage, FormJudge):
            return ToneUpdate(marks, 0.0)
        error_s = TIMING_ERROR_S[self._stage.form] + self.resolution_s
        return ToneUpdate(marks, error_s, self._stage.open_s, known_until_s)
