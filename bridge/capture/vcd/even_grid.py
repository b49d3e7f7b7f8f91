"""The even grid behind times at which a value changed, and samples put back on it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.units import round_rate
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import FloatBlock

DIVISORS_MOST = 8  # the finest grid that is tried: this part of the shortest step (judgement)
CHANGES_LEAST = 16  # fewer changes than this show no grid (judgement)
PERIOD_LEAST = 4  # ticks; rounding to a tick would fit anything below (judgement)
FALLBACK_HZ = 250_000.0  # Hz, ten samples a carrier cycle, where changes lie on no grid (judgement)
FALLBACK_LEAST_HZ = 1000.0  # Hz (judgement)
FALLBACK_SAMPLES = 4  # samples in the usual step, where changes lie on no grid (judgement)
HOLD_MOST = 1 << 31  # samples that one value is held for, six hours at 100 kHz (judgement)


@dataclass(frozen=True, slots=True)
class Grid:
    """Samples at `first + n * period`, in ticks of the time scale."""

    first: float
    period: float
    is_even: bool  # whether the changes lie on it; else it is merely fine enough


def find_grid(ticks: NDArray[np.int64], tick_s: float) -> Grid:
    """Find the coarsest even grid on which all changes lie, within one tick of rounding.

    >>> import numpy as np
    >>> places = np.array([0, 1, 2, 4, 5, 9, 10, 11, 13, 14, 15, 16, 18, 20, 21, 22, 24, 25, 27])
    >>> find_grid(np.rint(places / 96000 / 1e-6).astype(np.int64), 1e-6).period
    10.416666666666666
    """
    times = np.unique(ticks)
    steps = np.diff(times)
    first = float(times[0]) if times.size else 0.0
    if steps.size >= CHANGES_LEAST - 1:
        shortest = int(steps.min())
        common = int(np.gcd.reduce(steps))
        exact = Grid(first, float(common), is_even=True)
        if common > 1 and common * DIVISORS_MOST >= shortest:
            return exact
        near = float(steps[steps < 1.5 * shortest].mean())
        for divisor in range(1, DIVISORS_MOST + 1):
            fitted = _fit(times, steps, near / divisor, tick_s)
            if fitted is not None:
                return Grid(*fitted, is_even=True)
        if common * DIVISORS_MOST >= shortest:
            return exact
        return Grid(first, _fallback(float(np.quantile(steps, 0.1)), tick_s), is_even=False)
    if steps.size:
        return Grid(first, _fallback(float(steps.min()), tick_s), is_even=False)
    return Grid(first, 1 / (FALLBACK_HZ * tick_s), is_even=False)


def _fallback(step: float, tick_s: float) -> float:
    rate_hz = min(max(FALLBACK_SAMPLES / (step * tick_s), FALLBACK_LEAST_HZ), FALLBACK_HZ)
    return 1 / (rate_hz * tick_s)


def _fit(
    times: NDArray[np.int64], steps: NDArray[np.int64], period: float, tick_s: float
) -> tuple[float, float] | None:
    if period < PERIOD_LEAST:
        return None
    reach = 4.0
    while True:
        use = steps < reach * period
        counts = np.rint(steps[use] / period)
        if not use.any() or not counts.all():
            return None
        period = float(steps[use].sum() / counts.sum())
        if reach >= 256 or use.all():
            break
        reach *= 4
    off = np.abs(steps[use] - counts * period)
    if np.count_nonzero(off > 1.01 + 1e-3 * period) > 0.01 * off.size:
        return None
    # slope over the longest stretch of known counts, for a rate good to a few parts per million
    known = np.where(use, np.rint(steps / period), 0.0)
    ends = np.flatnonzero(~use)
    edges = np.concatenate(([-1], ends, [steps.size]))
    longest = int(np.argmax(np.diff(edges)))
    low, high = int(edges[longest]) + 1, int(edges[longest + 1])
    index = np.concatenate(([0.0], np.cumsum(known[low:high])))
    stretch = times[low : high + 1].astype(np.float64)
    span = index[-1]
    if span > 0:
        slope = float((stretch[-1] - stretch[0]) / span)
        residue = stretch - stretch[0] - index * slope
        slope += float(np.dot(residue, index - index.mean()) / np.dot(index - index.mean(), index))
        period = _snap(slope, 1.0 / span, tick_s)
    back = np.rint((stretch[0] - times[0]) / period)
    shift = float(np.mean(stretch - stretch[0] - index * period))
    return float(stretch[0] + shift - back * period), period


def _snap(period: float, slack: float, tick_s: float) -> float:
    """Take the roundest rate that the times allow."""
    return 1 / (round_rate(1 / (period * tick_s), slack / period) * tick_s)


def hold_samples(
    changes: Iterable[tuple[NDArray[np.int64], NDArray[np.float32], int]],
    grid: Grid,
    piece: int,
    where: str,
) -> Iterator[FloatBlock]:
    """Hold each value until the next change: even samples from (ticks, values, now) blocks.

    `now` is the tick up to which a block reaches; values that are no numbers keep the one before.
    """
    done = 0  # samples given so far
    value = np.float32(np.nan)
    for all_ticks, all_values, now in changes:
        finite = np.isfinite(all_values)
        ticks, values = all_ticks[finite], all_values[finite]
        places = np.floor((ticks - grid.first) / grid.period + 0.5).astype(np.int64)
        places = np.maximum(places, done)
        if np.isnan(value) and values.size:
            value = values[0]
        until = max(math.floor((now - grid.first) / grid.period + 0.5), done)
        if np.isnan(value):
            continue
        bounds = np.concatenate(
            ([done], places, [max(until, int(places[-1]) if places.size else 0)])
        )
        counts = np.diff(bounds)
        levels = np.concatenate(([value], values)).astype(np.float32)
        if counts.size and int(counts.max()) > HOLD_MOST:
            raise CaptureError(
                f"{where}: a value is held for {int(counts.max()) * grid.period:.3g} ticks, too"
                f" long to lay out evenly ({HOLD_MOST:,} samples at most); check the time stamps"
            )
        yield from _repeat(levels, counts, piece)
        done = int(bounds[-1])
        if values.size:
            value = values[-1]
    if not np.isnan(value):
        yield np.array([value], np.float32)


def _repeat(levels: FloatBlock, counts: NDArray[np.int64], piece: int) -> Iterator[FloatBlock]:
    """`np.repeat` in pieces of bounded size."""
    total = int(counts.sum())
    if total <= piece:
        if total:
            yield np.repeat(levels, counts)
        return
    ends = np.cumsum(counts)
    for low in range(0, total, piece):
        at = np.arange(low, min(low + piece, total))
        yield levels[np.searchsorted(ends, at, side="right")]
