"""Block powers -> their running averages, and the floor of the noise under them."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.signal.power import BATCH_BLOCKS, REFERENCES_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Powers = NDArray[np.floating[Any]]
    Sums = NDArray[np.complex128]

EXPONENTIAL_FIFTH = 0.2231  # -ln 0.8: of the mean, what one in five powers of noise stays below
SPREAD_NOISE = 8.0  # ratio of the powers below which 90 and 10 % lie: 22 in noise (judgement)
FLOOR_BATCHES = 8  # batches whose floors are remembered, some seconds (judgement)
FEWEST_BLOCKS = 16  # blocks that show a floor (judgement)
LEAST_FLOOR = 1e-300  # power, to divide by where all is 0 (judgement)
DYNAMIC_RANGE = 1e-7  # of the highest power so far, 70 dB: nothing below it is heard (judgement)


@dataclass(slots=True)
class PowerHistory:
    """Running sums of the powers of the latest blocks, of which `window` make an average.

    Block numbers count from the first sample of the trace. The powers at the two references are
    the parts of one complex number, so that one pass sums both. Sums are in double precision,
    because differences of them are taken.
    """

    window: int
    first: int = 0  # the earliest block that is remembered
    _sums: Sums = field(default_factory=lambda: np.zeros(1, np.complex128))
    _peak: float = 0.0
    _floors: deque[Powers] = field(default_factory=lambda: deque(maxlen=FLOOR_BATCHES))
    _median: Powers | None = None  # of the floors

    @property
    def end(self) -> int:
        """The block after the last."""
        return self.first + len(self._sums) - 1

    @property
    def floor(self) -> Powers:
        """The power of noise at each reference."""
        least = DYNAMIC_RANGE * self._peak
        if self._median is None:
            return np.full(len(REFERENCES_HZ), least)
        floor: Powers = np.maximum(self._median, least)
        return floor

    def add(self, power: Powers) -> None:
        """Go on with the powers of a batch, as (reference, block)."""
        old = len(self._sums)
        sums = np.empty(old + power.shape[1], np.complex128)
        sums[:old] = self._sums
        sums.real[old:], sums.imag[old:] = power
        np.add.accumulate(sums[old - 1 :], out=sums[old - 1 :])
        self._sums = sums
        self._learn_floor(power)

    def averages(self, start: int, end: int) -> tuple[Powers, Powers]:
        """The power at each reference, averaged about each block from `start` to `end`."""
        half = self.window // 2
        first = max(self.first, start - half)
        sums = self._sums[first - self.first : end - self.first + half + 1]
        count = len(sums) - 1
        begin, whole = start - first, end - start
        if begin == half and begin + whole + half <= count:  # nothing is cut off at either end
            averages = sums[2 * half : 2 * half + whole] - sums[:whole]
            parts = averages.view(np.float64)
            parts *= 1 / (2 * half)
        else:
            centres = np.arange(begin, begin + whole)
            low = np.maximum(centres - half, 0)
            high = np.minimum(centres + half, count)
            averages = (sums[high] - sums[low]) / (high - low)
        return averages.real, averages.imag

    def ratios(self, start: int, end: int) -> Powers:
        """The larger of the averages about each block, over the floor."""
        floor = np.maximum(self.floor, LEAST_FLOOR)
        low, high = self.averages(start, end)
        ratios: Powers = np.maximum(low / floor[0], high / floor[1])
        return ratios

    def forget(self, before: int) -> None:
        """Drop whole batches of blocks before a block."""
        batches = max(before - self.first, 0) // BATCH_BLOCKS
        if batches:
            self.first += batches * BATCH_BLOCKS
            self._sums = self._sums[batches * BATCH_BLOCKS :] - self._sums[batches * BATCH_BLOCKS]

    def _learn_floor(self, power: Powers) -> None:
        self._peak = max(self._peak, float(power.max(initial=0.0)))
        if power.shape[1] < FEWEST_BLOCKS:
            return
        some = power[:, ::4] if power.shape[1] >= BATCH_BLOCKS else power
        ranks = [int(share * (some.shape[1] - 1)) for share in (0.1, 0.2, 0.9)]
        tenth, fifth, most = np.partition(some, ranks, axis=1)[:, ranks].T
        if np.all(most >= SPREAD_NOISE * tenth):  # tone throughout shows nothing of the floor
            least = self._least_average(power.shape[1])
            self._floors.append(np.minimum(fifth / EXPONENTIAL_FIFTH, least))
            ranked = np.sort(np.array(self._floors), axis=0)  # np.median imports 65 ms of modules
            self._median = (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2

    def _least_average(self, count: int) -> Powers:
        """The floor by the quietest window of the latest blocks.

        It holds where a message fills most of a batch. The least of n independent averages of
        noise lies about sqrt(2 log n) deviations low.
        """
        width = max(1, min(self.window, count))
        sums = self._sums[-count - 1 :]
        windows = sums[width:] - sums[:-width]
        low = np.sqrt(2 * np.log(max(count / width, 1.5)) / width)
        least = np.array([windows.real.min(), windows.imag.min()])
        least /= width * max(1 - low, 0.3)
        return least
