"""Samples -> the stretches of them that may hold tone; idle samples are read once and dropped.

The power that `power` finds in each block of samples, averaged over a few bits, is held against
the floor of the quiet around it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.signal.glitches import SPIKELESS_HZ, is_converter_flicker, remove_spikes
from bridge.signal.power import BATCH_BLOCKS, REFERENCES_HZ, BlockPowers, PowerMeter, clip_damaged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]
    Powers = NDArray[np.floating[Any]]
    Sums = NDArray[np.complex128]

WINDOW_S = 8e-3  # s, power is averaged over this: more than five bits
BUSY_DEVIATIONS, KEEP_DEVIATIONS = 5.8, 2.6  # of the average of noise: a stretch must reach the
# first, and goes on down to the second
MARGIN_S = 3.2e-3  # s kept on either side of where the average is high
WEAK_RATIO = 40.0  # average below which a stretch is faint: its borders show late
WEAK_MARGIN_S = 5e-3  # s kept besides on either side of a faint stretch
LONGEST_S = 0.25  # s, a longer stretch is cut or is continuous tone; a message is 0.11 at most
STEADY_RATIO = 0.6  # lowest to highest average of a tone that is on without keying
EDGE_S = 0.04  # s of a steady tone kept at either end
EXPONENTIAL_LOW = 0.2231  # -ln(0.8): the power that one in five blocks of noise stays below
SPREAD_NOISE = 8.0  # ratio of the powers that nine and one in ten stay below: 22 in noise
FLOOR_UNITS = 8  # units whose floors are remembered, some seconds
FEWEST_BLOCKS = 16  # blocks that tell a floor
LEAST_FLOOR = 1e-300  # power, to divide by where all is 0
DYNAMIC_RANGE = 1e-7  # of the highest power so far: nothing below it is heard
CLOSE_STRIDE = 2  # a view of samples that lie further apart is copied, not to keep what is between


@dataclass(frozen=True, slots=True)
class Segment:
    """Samples in which there may be tone, from sample `first` of the trace.

    `floor` is the noise power density seen around it (power per sample of white noise), in the
    unit of the samples. `opens` and `closes` tell that the tone goes on before and after.
    """

    samples: Floats
    first: int
    floor: float
    opens: bool = False
    closes: bool = False


@dataclass(slots=True)
class ActivityDetector:
    """Chunks of samples in, stretches out; `means` holds the mean of each block not yet taken.

    `scale` and `offset` turn raw samples into the unit wanted: raw * scale + offset. Block
    numbers count from the first sample of the trace.
    """

    rate_hz: float
    scale: float = 1.0
    offset: float = 0.0
    samples: int = 0  # skimmed so far
    means: list[Floats] = field(default_factory=list)
    block: int = field(init=False)  # samples from one block to the next
    _probe: PowerMeter = field(init=False)
    _busy_ratio: float = field(init=False)  # of the floor, that a stretch must reach
    _keep_ratio: float = field(init=False)  # of the floor, down to which it goes on
    _kept: deque[NDArray[Any]] = field(default_factory=deque)  # latest chunks, from sample
    _kept_from: int = 0
    _first: int = 0  # block from which on _sums tell
    _sums: Sums = field(default_factory=lambda: np.zeros(1, np.complex128))  # see _add
    _peak: float = 0.0
    _judged: int = 0  # blocks
    _floors: deque[Powers] = field(default_factory=lambda: deque(maxlen=FLOOR_UNITS))
    _middle: Powers | None = None  # of the floors
    _busy: int | None = None  # first block of the stretch at hand
    _busy_end: int = 0  # block after its last busy one
    _loudest: float = 0.0  # average in it
    _cut_end: int = 0  # block after the latest stretch
    _opens: bool = False
    _steady: float | None = None  # power of a continuous tone passed over

    def __post_init__(self) -> None:
        self._probe = PowerMeter(self.rate_hz, self.scale, self.offset)
        self.block = self._probe.block
        spread = 1 / np.sqrt(max(self._blocks(WINDOW_S), 1))
        self._busy_ratio = 1 + BUSY_DEVIATIONS * spread
        self._keep_ratio = 1 + KEEP_DEVIATIONS * spread

    @property
    def settled_until(self) -> int:
        """Sample before which no stretch is to come."""
        margin = self._blocks(MARGIN_S)
        at = self._judged - margin if self._busy is None else self._busy
        return max(0, at - margin - self._blocks(WEAK_MARGIN_S)) * self.block

    @property
    def in_steady_tone(self) -> bool:
        """Whether a continuous tone is being passed over."""
        return self._steady is not None

    def push(self, chunk: NDArray[Any]) -> Iterator[Segment]:
        """Give the stretches that have ended; what is pushed must not change afterwards."""
        if len(chunk) and abs(chunk.strides[0]) > CLOSE_STRIDE * chunk.itemsize:
            chunk = np.array(chunk)
        self._kept.append(chunk)
        for unit in self._probe.push(chunk):
            yield from self._take(unit)

    def finish(self) -> Iterator[Segment]:
        for unit in self._probe.finish():
            yield from self._take(unit)
        yield from self._judge(last=True)

    def _blocks(self, time_s: float) -> int:
        return round(time_s * self.rate_hz / self.block)

    def _take(self, unit: BlockPowers) -> Iterator[Segment]:
        self.means.append(unit.means)
        self.samples += unit.samples
        self._add(unit.power)
        self._learn_floor(unit.power)
        yield from self._judge(last=False)

    def _add(self, power: Powers) -> None:
        """Go on with the running sums of power along the blocks.

        The two probes are one complex number, which sums both in one pass; in double precision,
        for differences are taken.
        """
        old = len(self._sums)
        sums = np.empty(old + power.shape[1], np.complex128)
        sums[:old] = self._sums
        sums.real[old:], sums.imag[old:] = power
        np.add.accumulate(sums[old - 1 :], out=sums[old - 1 :])
        self._sums = sums

    def _scaled(self, raw: NDArray[Any]) -> Floats:
        """Samples in the unit of the trace."""
        with np.errstate(over="ignore"):
            samples = np.array(raw, dtype=np.float32)
            if self.scale != 1.0:
                samples *= np.float32(self.scale)
        samples = clip_damaged(samples)
        if self.offset:
            samples += np.float32(self.offset)
        return samples

    def _learn_floor(self, power: Powers) -> None:
        self._peak = max(self._peak, float(power.max(initial=0.0)))
        if power.shape[1] < FEWEST_BLOCKS:
            return
        some = power[:, ::4] if power.shape[1] >= BATCH_BLOCKS else power
        ranks = [int(share * (some.shape[1] - 1)) for share in (0.1, 0.2, 0.9)]
        tenth, fifth, most = np.partition(some, ranks, axis=1)[:, ranks].T
        if np.all(most >= SPREAD_NOISE * tenth):  # a tone throughout says nothing of the floor
            self._floors.append(np.minimum(fifth / EXPONENTIAL_LOW, self._least(power.shape[1])))
            ranked = np.sort(np.array(self._floors), axis=0)
            self._middle = (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2

    def _least(self, count: int) -> Powers:
        """The floor, by the quietest window of the latest blocks.

        It holds where a message fills most of a unit. The least of n independent averages of
        noise lies about sqrt(2 log n) deviations low.
        """
        width = max(1, min(self._blocks(WINDOW_S), count))
        sums = self._sums[-count - 1 :]
        windows = sums[width:] - sums[:-width]
        low = np.sqrt(2 * np.log(max(count / width, 1.5)) / width)
        least = np.array([windows.real.min(), windows.imag.min()])
        least /= width * max(1 - low, 0.3)
        return least

    def _floor(self) -> Powers:
        least = DYNAMIC_RANGE * self._peak
        if self._middle is None:
            return np.full(len(REFERENCES_HZ), least)
        floor: Powers = np.maximum(self._middle, least)
        return floor

    def _judge(self, last: bool) -> Iterator[Segment]:
        half = self._blocks(WINDOW_S) // 2
        end = self._first + len(self._sums) - 1
        until = end if last else end - half
        if until > self._judged:
            floor = self._floor()
            low, high = self._averages(self._judged, until, half)
            low = low / max(floor[0], LEAST_FLOOR)
            high = high / max(floor[1], LEAST_FLOOR)
            yield from self._walk(np.maximum(low, high), float(floor.mean()))
        if last and self._busy is not None and self._is_more_than_noise():
            yield self._cut(self._busy, end, float(self._floor().mean()), closes=False, all_of=True)
            self._busy = None
        self._forget(half)

    def _averages(self, start: int, end: int, half: int) -> tuple[Powers, Powers]:
        """The power of each probe averaged about each block."""
        first = max(self._first, start - half)
        sums = self._sums[first - self._first : end - self._first + half + 1]
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

    def _walk(self, ratios: Powers, floor: float) -> Iterator[Segment]:
        """Follow the averages from block `_judged` on, and give each stretch that has ended."""
        margin = self._blocks(MARGIN_S)
        at = self._judged
        self._judged += len(ratios)
        if self._steady is not None:
            low, high = STEADY_RATIO * self._steady, self._steady / STEADY_RATIO
            change = np.flatnonzero((ratios < low) | (ratios > high))
            if not len(change):
                return
            self._steady = None
            at += int(change[0])
            ratios = ratios[change[0] :]
            self._busy = at - self._blocks(EDGE_S)
            self._busy_end = at
            self._opens = True
        busy = np.flatnonzero(ratios > self._keep_ratio) + at
        if len(busy):
            breaks = np.flatnonzero(np.diff(busy) > 2 * margin) + 1
            firsts = [int(busy[0]), *busy[breaks].tolist()]
            ends = [*(busy[breaks - 1] + 1).tolist(), int(busy[-1]) + 1]
            if self._busy is None and ratios.max() <= self._busy_ratio:
                firsts, ends = firsts[-1:], ends[-1:]  # swells of the noise; the last may go on
            for first, end in zip(firsts, ends, strict=True):
                if self._busy is not None and first - self._busy_end > 2 * margin:
                    yield from self._end(floor)
                if self._busy is None:
                    self._busy = max(first - margin, self._first, 0)
                self._busy_end = end
                self._loudest = max(self._loudest, float(ratios[first - at : end - at].max()))
        if self._busy is None:
            return
        if self._judged - self._busy_end > 2 * margin:
            yield from self._end(floor)
        elif self._judged - self._busy > self._blocks(LONGEST_S):
            yield from self._shorten(floor)

    def _end(self, floor: float) -> Iterator[Segment]:
        """Give the stretch at hand, if it was more than noise."""
        assert self._busy is not None
        if self._is_more_than_noise():
            yield self._cut(self._busy, self._busy_end + self._blocks(MARGIN_S), floor)
        self._busy, self._loudest = None, 0.0

    def _is_more_than_noise(self) -> bool:
        """Tell whether the stretch at hand is loud: no flicker of a last digit, no lone spikes."""
        assert self._busy is not None
        if not self._opens and self._loudest <= self._busy_ratio:
            return False
        part = self._read(self._busy * self.block, self._busy_end * self.block)
        if is_converter_flicker(part, self.rate_hz):
            return False
        if self._opens or self.rate_hz >= SPIKELESS_HZ:
            return True
        struck = self._scaled(part)
        cleared = remove_spikes(struck, self.rate_hz)
        return cleared is struck or self._loudness(cleared) > self._busy_ratio

    def _loudness(self, samples: Floats) -> float:
        """The highest average of samples that are scaled already, over the floor."""
        probe = PowerMeter(self.rate_hz)
        power = np.hstack([unit.power for unit in (*probe.push(samples), *probe.finish())])
        width = min(max(1, self._blocks(WINDOW_S)), power.shape[1])
        sums = np.cumsum(np.pad(power, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
        averages = (sums[:, width:] - sums[:, :-width]) / width
        return float((averages / np.maximum(self._floor(), LEAST_FLOOR)[:, None]).max())

    def _shorten(self, floor: float) -> Iterator[Segment]:
        """Give the first part of a stretch too long: what follows is steady tone, or the rest."""
        assert self._busy is not None
        half = self._blocks(WINDOW_S) // 2
        skip = self._busy + self._blocks(EDGE_S)
        level = np.maximum(*self._averages(skip, self._judged, half))
        if level.min() > STEADY_RATIO * level.max():
            at = skip + half
            floor_now = max(float(self._floor().mean()), LEAST_FLOOR)
            self._steady = float(np.sort(level)[len(level) // 2]) / floor_now
        else:
            middle = len(level) // 2
            at = skip + middle + int(np.argmin(level[middle:]))
        stretch = self._cut(self._busy, at, floor, closes=True)
        self._busy = None if self._steady is not None else at
        self._opens = True
        yield stretch

    def _cut(
        self, start: int, end: int, floor: float, *, closes: bool = False, all_of: bool = False
    ) -> Segment:
        if self._loudest < WEAK_RATIO and not all_of:
            wider = self._blocks(WEAK_MARGIN_S)
            if not self._opens:
                start = max(start - wider, self._cut_end, self._first, 0)
            if not closes:
                end = min(end + wider, self._first + len(self._sums) - 1)
        self._loudest, self._cut_end = 0.0, end
        part = self._read(start * self.block, None if all_of else end * self.block)
        opens, self._opens = self._opens, closes
        samples = remove_spikes(self._scaled(part), self.rate_hz)
        return Segment(samples, start * self.block, floor, opens, closes)

    def _read(self, first: int, end: int | None) -> NDArray[Any]:
        """The kept samples from `first` on, as they came."""
        parts = []
        at = self._kept_from
        for chunk in self._kept:
            if at + len(chunk) > first and (end is None or at < end):
                parts.append(chunk[max(first - at, 0) : None if end is None else end - at])
            at += len(chunk)
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _forget(self, half: int) -> None:
        """Drop what no stretch to come can need."""
        need = self._judged - half - 3 * self._blocks(MARGIN_S) - self._blocks(WEAK_MARGIN_S)
        if self._busy is not None:
            need = min(need, self._busy - half - self._blocks(WEAK_MARGIN_S))
        if self._steady is not None:
            need = self._judged - half - self._blocks(EDGE_S) - half
        units = max(need - self._first, 0) // BATCH_BLOCKS
        if units:
            self._first += units * BATCH_BLOCKS
            self._sums = self._sums[units * BATCH_BLOCKS :] - self._sums[units * BATCH_BLOCKS]
        while self._kept and self._kept_from + len(self._kept[0]) <= self._first * self.block:
            self._kept_from += len(self._kept.popleft())
