"""The rows of a table -> even samples: runs of rows as they stand, gaps on straight lines.

Each row is judged by itself, so the samples do not depend on how many rows come at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.table.time_base import TimeBase
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import FloatBlock

    Reals = NDArray[np.float64]
    TimedRows = tuple[Reals | None, Reals]

GAP_MOST = 1 << 31  # samples between two rows, six hours at 100 kHz (judgement)
PIECE_SAMPLES = 1 << 20  # samples made at a time: 8 MB of float64 (judgement)
# samples that a row may be off its place before rows are missing: half (judgement)
REACH_SAMPLES = 0.5
COARSE_REACH_SHARE, COARSE_REACH_SAMPLES = 0.02, 100  # the same for times that repeat (judgement)
LEFT_OUT = -1  # number of a row that comes too early to be a sample
FIRST_LOOK = 64  # rows searched at first for one off its place, then twice as many (judgement)


def resample(
    rows: Iterable[TimedRows], base: TimeBase, first_value: float, where: str
) -> Iterator[FloatBlock]:
    """Give float32 samples at `base.start_s + n / base.rate_hz` from (times_s, values) rows.

    Times that are None say that each row is a sample. A value that is not finite repeats the one
    before it, at the start `first_value`. Raises CaptureError for a gap longer than `GAP_MOST`.
    """
    grid = _Grid(base, first_value, where)
    for times_s, values in rows:
        filled = fill_missing(values, grid.last_value)
        if times_s is None:
            pieces: Iterable[Reals] = (filled,)
        elif base.is_even:
            pieces = grid.place(times_s, filled)
        else:
            pieces = grid.interpolate(times_s, filled)
        for piece in pieces:
            yield _to_float32(piece)
        grid.last_value = float(filled[-1])
    for piece in grid.finish():
        yield _to_float32(piece)


def _to_float32(values: Reals) -> FloatBlock:
    with np.errstate(over="ignore"):
        return values.astype(np.float32)


def fill_missing(values: Reals, before: float) -> Reals:
    """Repeat the last finite value where one is not; `before` stands before the first.

    >>> fill_missing(np.array([np.nan, 1.0, np.nan, 2.0]), 5.0).tolist()
    [5.0, 1.0, 1.0, 2.0]
    """
    good = np.isfinite(values)
    if good.all():
        return values
    at = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    return np.where(at >= 0, values[np.maximum(at, 0)], before)


class _Grid:
    """How far the samples have come: their count, and the last row."""

    def __init__(self, base: TimeBase, first_value: float, where: str) -> None:
        self._base = base
        self._where = where
        self._count = 0  # samples given
        self._last_s: float | None = None  # time of the last row
        self.last_value = first_value  # of the last row
        self._last_sample = first_value  # of the last sample that a row gave

    def place(self, times_s: Reals, values: Reals) -> Iterator[Reals]:
        """Rows near their place are samples as they stand; gaps are bridged by straight lines."""
        offsets = (times_s - self._base.start_s) * self._base.rate_hz
        offsets -= np.arange(times_s.size)  # place of a row - its number here
        first = self._count
        broken: CaptureError | None = None
        row = self._find_off(offsets, 0)
        if row == times_s.size:  # no gap: nothing to lay out
            self._count += row
            self._last_sample = float(values[-1])
            yield values
            return
        numbers = np.arange(first, first + times_s.size)  # of the sample that each row is
        self._count += row
        while row < times_s.size:
            place = float(offsets[row]) + row
            if place - self._count > GAP_MOST:
                broken = self._refuse_gap(float(times_s[row]))
                numbers = numbers[:row]
                break
            until = int(np.floor(place + 0.5)) + 1
            if until > self._count:
                numbers[row] = until - 1
                self._count = until
            else:
                numbers[row] = LEFT_OUT
            end = self._find_off(offsets, row + 1)
            numbers[row + 1 : end] += self._count - (first + row + 1)
            self._count += end - row - 1
            row = end
        placed = numbers != LEFT_OUT
        xs = np.concatenate(([first - 1], numbers[placed]))
        ys = np.concatenate(([self._last_sample], values[: numbers.size][placed]))
        for low in range(first, self._count, PIECE_SAMPLES):
            yield np.interp(np.arange(low, min(low + PIECE_SAMPLES, self._count)), xs, ys)
        self._last_sample = float(ys[-1])
        if broken is not None:
            raise broken

    def _find_off(self, offsets: Reals, first: int) -> int:
        """The first row from `first` on that is off its place, or the number of rows."""
        shift = self._count - first
        low, look = first, FIRST_LOOK
        while low < offsets.size:
            off = np.abs(offsets[low : low + look] - shift)
            reach: float | Reals = REACH_SAMPLES + 2 * self._base.off_samples
            if self._base.repeats:
                reach = np.maximum(
                    reach,
                    COARSE_REACH_SHARE * (np.arange(low, low + off.size) + shift)
                    + COARSE_REACH_SAMPLES,
                )
            beyond = off >= reach
            at = int(beyond.argmax())
            if beyond[at]:
                return low + at
            low += look
            look *= 2
        return int(offsets.size)

    def interpolate(self, times_s: Reals, values: Reals) -> Iterator[Reals]:
        """Samples before the last row, on straight lines between rows that lie unevenly."""
        base = self._base
        xs, ys = times_s, values
        if self._last_s is not None:
            xs = np.concatenate(([self._last_s], times_s))
            ys = np.concatenate(([self.last_value], values))
        gaps = np.flatnonzero(np.diff(xs) * base.rate_hz > GAP_MOST)
        if gaps.size:
            xs, ys, after_gap_s = xs[: gaps[0] + 1], ys[: gaps[0] + 1], float(xs[gaps[0] + 1])
        last_s = float(xs[-1])
        until = int(np.ceil((last_s - base.start_s) * base.rate_hz)) + 1
        while until > 0 and base.start_s + (until - 1) / base.rate_hz >= last_s:
            until -= 1
        for low in range(self._count, until, PIECE_SAMPLES):
            numbers = np.arange(low, min(low + PIECE_SAMPLES, until))
            yield np.interp(base.start_s + numbers / base.rate_hz, xs, ys)
        self._count = max(self._count, until)
        self._last_s, self.last_value = last_s, float(ys[-1])
        if gaps.size:
            raise self._refuse_gap(after_gap_s)

    def finish(self) -> Iterator[Reals]:
        """The sample at the last row, which `interpolate` leaves out."""
        base = self._base
        if self._last_s is not None and base.start_s + self._count / base.rate_hz <= self._last_s:
            yield np.array([self.last_value])

    def _refuse_gap(self, time_s: float) -> CaptureError:
        return CaptureError(
            f"{self._where}: the times reach {time_s:.3g} s, more than {GAP_MOST:,} samples"
            f" of {self._base.rate_hz:g} Hz after the last row; correct the time column"
        )
