"""Samples -> the stretches of them that may hold tone; idle samples are read once and dropped.

Samples are cut into blocks of about two cycles of the carrier; where they come fast, every second
block is looked at, and tells enough. One product with a small table gives for each block the
quadrature components at two carriers across the tolerance, blind to the supply and its slope,
and the mean. The power, averaged over a few bits, is held against the floor of the quiet around
it. Work on fixed units makes the outcome the same for any chunks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus import standard as std

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]
    Powers = NDArray[np.floating[Any]]

BLOCK_S = 2 / std.CARRIER_HZ  # s, two cycles: the length looked at in a block
FAST_HZ = 400e3  # samples a second from which every second block is left out
PROBES_HZ = (19_800.0, 24_200.0)  # Hz: no carrier within +-20 % is further than 2.2 kHz from one
UNIT_BLOCKS = 4096  # blocks worked on at once, 0.37 or 0.75 s
HIGHEST = 1e9  # in the unit of the samples; beyond it lies a damaged file
SLAB_BLOCKS = 1024  # of these, multiplied at once
WINDOW_S = 8e-3  # s, power is averaged over this: more than five bits
BUSY_DEVIATIONS, KEEP_DEVIATIONS = 5.8, 2.6  # of the average of noise: a stretch must reach the
# first, and goes on down to the second
MARGIN_S = 3.2e-3  # s kept on either side of where the average is high
FAINT_RATIO = 40.0  # average below which a stretch is faint: its borders show late
FAINT_S = 5e-3  # s kept besides on either side of a faint stretch
LONGEST_S = 0.25  # s, a longer stretch is cut or is continuous tone; a message is 0.11 at most
STEADY_RATIO = 0.6  # lowest to highest average of a tone that is on without keying
EDGE_S = 0.04  # s of a steady tone kept at either end
EXPONENTIAL_LOW = 0.2231  # -ln(0.8): the power that one in five blocks of noise stays below
SPREAD_NOISE = 8.0  # ratio of the powers that nine and one in ten stay below: 22 in noise
FLOOR_UNITS = 8  # units whose floors are remembered, some seconds
FEWEST_BLOCKS = 16  # blocks that tell a floor
DYNAMIC_RANGE = 1e-7  # of the highest power so far: nothing below it is heard


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples in which there may be tone, from sample `first` of the trace.

    `floor` is the noise power density seen around it (power per sample of white noise), in the
    unit of the samples. `opens` and `closes` tell that the tone goes on before and after.
    """

    samples: Floats
    first: int
    floor: float
    opens: bool = False
    closes: bool = False


@lru_cache(maxsize=8)
def _table(block: int, rate_hz: float) -> NDArray[np.float32]:
    """Columns cos, sin for each probe, blind to a constant and a slope, and the mean."""
    n = np.arange(block) - (block - 1) / 2
    blind = np.stack([np.ones(block), n / max(block, 2)], axis=1)
    columns = []
    for probe_hz in PROBES_HZ:
        angle = 2 * np.pi * probe_hz / rate_hz * n
        for wave in (np.cos(angle), np.sin(angle)):
            fit, *_ = np.linalg.lstsq(blind, wave, rcond=None)
            rest = wave - blind @ fit
            columns.append(rest / max(float(np.linalg.norm(rest)), 1e-6))
    columns.append(np.full(block, 1 / block))
    return np.ascontiguousarray(np.stack(columns, axis=1), dtype=np.float32)


def _sane(values: Floats, scale: float) -> Floats:
    """Scaled in place; what is no number counts as 0, what is beyond reason as HIGHEST."""
    with np.errstate(invalid="ignore", over="ignore"):
        if scale != 1.0:
            values *= np.float32(scale)
        if not np.abs(values).max(initial=0.0) < HIGHEST:
            np.nan_to_num(values, copy=False, nan=0.0)
            np.clip(values, -HIGHEST, HIGHEST, out=values)
    return values


def _sums(power: Powers) -> Powers:
    """Running sums along the blocks, from 0; in double precision, for their differences."""
    total = np.zeros((power.shape[0], power.shape[1] + 1))
    np.cumsum(power, axis=1, out=total[:, 1:])
    return total


@dataclass(slots=True)
class Skim:
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
    _look: int = field(init=False)  # samples of a block that are looked at
    _busy_ratio: float = field(init=False)  # of the floor, that a stretch must reach
    _keep_ratio: float = field(init=False)  # of the floor, down to which it goes on
    _parts: list[NDArray[Any]] = field(default_factory=list)
    _waiting: int = 0
    _kept: deque[NDArray[Any]] = field(default_factory=deque)  # latest units, from block _first on
    _power: Powers = field(default_factory=lambda: np.zeros((len(PROBES_HZ), 0), np.float32))
    _first: int = 0
    _judged: int = 0  # blocks
    _floors: deque[Powers] = field(default_factory=lambda: deque(maxlen=FLOOR_UNITS))
    _middle: Powers | None = None  # of the floors
    _peak: float = 0.0
    _busy: int | None = None  # first block of the stretch at hand
    _busy_end: int = 0  # block after its last busy one
    _loudest: float = 0.0  # average in it
    _cut_end: int = 0  # block after the latest stretch
    _opens: bool = False
    _steady: float | None = None  # power of a continuous tone passed over

    def __post_init__(self) -> None:
        self._look = max(6, round(self.rate_hz * BLOCK_S))
        self.block = 2 * self._look if self.rate_hz >= FAST_HZ else self._look
        spread = 1 / np.sqrt(max(self._blocks(WINDOW_S), 1))
        self._busy_ratio = 1 + BUSY_DEVIATIONS * spread
        self._keep_ratio = 1 + KEEP_DEVIATIONS * spread

    @property
    def idle_since(self) -> int:
        """Sample before which no stretch is to come."""
        margin = self._blocks(MARGIN_S)
        at = self._judged - margin if self._busy is None else self._busy
        return max(0, at - margin - self._blocks(FAINT_S)) * self.block

    @property
    def holds_tone(self) -> bool:
        """Whether a continuous tone is being passed over."""
        return self._steady is not None

    def push(self, chunk: NDArray[Any]) -> Iterator[Stretch]:
        unit = self.block * UNIT_BLOCKS
        start = 0
        if self._waiting:
            start = min(unit - self._waiting, len(chunk))
            self._parts.append(np.array(chunk[:start]))
            self._waiting += start
            if self._waiting == unit:
                parts, self._parts, self._waiting = self._parts, [], 0
                yield from self._take(np.concatenate(parts))
        while start + unit <= len(chunk):
            yield from self._take(chunk[start : start + unit])
            start += unit
        if start < len(chunk):
            self._parts.append(np.array(chunk[start:]))
            self._waiting += len(chunk) - start

    def finish(self) -> Iterator[Stretch]:
        if self._waiting:
            parts, self._parts, self._waiting = self._parts, [], 0
            yield from self._take(np.concatenate(parts))
        yield from self._judge(last=True)

    def _blocks(self, time_s: float) -> int:
        return round(time_s * self.rate_hz / self.block)

    def _take(self, raw: NDArray[Any]) -> Iterator[Stretch]:
        out = self._multiply(raw)
        self.means.append(out[:, -1] + np.float32(self.offset))
        squares = np.square(np.ascontiguousarray(out[:, :-1].T))
        power = squares[::2] + squares[1::2]
        self._learn_floor(power)
        self._kept.append(raw)
        self.samples += len(raw)
        self._power = np.concatenate((self._power, power), axis=1)
        yield from self._judge(last=False)

    def _multiply(self, raw: NDArray[Any]) -> Floats:
        """The table's products, in slabs that stay in the processor's nearer memory."""
        table = _table(self._look, self.rate_hz)
        whole = len(raw) // self.block
        out = np.empty((whole, table.shape[1]), dtype=np.float32)
        slab = np.empty((min(SLAB_BLOCKS, whole), self._look), dtype=np.float32)
        for first in range(0, whole, SLAB_BLOCKS):
            end = min(first + SLAB_BLOCKS, whole)
            rows = raw[first * self.block : end * self.block].reshape(-1, self.block)
            part = slab[: end - first]
            with np.errstate(invalid="ignore", over="ignore"):
                np.copyto(part, rows[:, : self._look], casting="same_kind")
                np.matmul(part, table, out=out[first:end])
        return _sane(out, self.scale)

    def _scaled(self, raw: NDArray[Any]) -> Floats:
        """Samples in the unit of the trace."""
        with np.errstate(over="ignore"):
            samples = _sane(np.array(raw, dtype=np.float32), self.scale)
        if self.offset:
            samples += np.float32(self.offset)
        return samples

    def _learn_floor(self, power: Powers) -> None:
        self._peak = max(self._peak, float(power.max(initial=0.0)))
        if power.shape[1] < FEWEST_BLOCKS:
            return
        some = power[:, ::4] if power.shape[1] >= UNIT_BLOCKS else power
        ranks = [int(share * (some.shape[1] - 1)) for share in (0.1, 0.2, 0.9)]
        tenth, fifth, most = np.partition(some, ranks, axis=1)[:, ranks].T
        if np.all(most >= SPREAD_NOISE * tenth):  # a tone throughout says nothing of the floor
            self._floors.append(np.minimum(fifth / EXPONENTIAL_LOW, self._least(power)))
            self._middle = np.median(np.array(self._floors), axis=0)

    def _least(self, power: Powers) -> Powers:
        """The floor, by the quietest window: it holds where a message fills most of a unit.

        The least of n independent averages of noise lies about sqrt(2 log n) deviations low.
        """
        count = power.shape[1]
        width = max(1, min(self._blocks(WINDOW_S), count))
        total = _sums(power)
        averages: Powers = (total[:, width:] - total[:, :-width]) / width
        low = np.sqrt(2 * np.log(max(count / width, 1.5)) / width)
        least: Powers = averages.min(axis=1) / max(1 - low, 0.3)
        return least

    def _floor(self) -> Powers:
        least = DYNAMIC_RANGE * self._peak
        if self._middle is None:
            return np.full(len(PROBES_HZ), least)
        floor: Powers = np.maximum(self._middle, least)
        return floor

    def _judge(self, last: bool) -> Iterator[Stretch]:
        half = self._blocks(WINDOW_S) // 2
        end = self._first + self._power.shape[1]
        until = end if last else end - half
        if until > self._judged:
            floor = self._floor()
            averages = self._averages(self._judged, until, half)
            averages /= np.maximum(floor, 1e-300)[:, None]
            yield from self._walk(averages.max(axis=0), float(floor.mean()))
        if last and self._busy is not None and (self._loudest > self._busy_ratio or self._opens):
            yield self._cut(self._busy, end, float(self._floor().mean()), closes=False, all_of=True)
            self._busy = None
        self._forget(half)

    def _averages(self, start: int, end: int, half: int) -> Powers:
        """The power of each probe averaged about each block, as (probe, block)."""
        first = max(self._first, start - half)
        total = _sums(self._power[:, first - self._first : end - self._first + half])
        count = total.shape[1] - 1
        begin, whole = start - first, end - start
        if begin == half and begin + whole + half <= count:  # nothing is cut off at either end
            inner: Powers = total[:, 2 * half : 2 * half + whole] - total[:, :whole]
            inner /= 2 * half
            return inner
        centres = np.arange(begin, begin + whole)
        low = np.maximum(centres - half, 0)
        high = np.minimum(centres + half, count)
        averages: Powers = (total[:, high] - total[:, low]) / (high - low)
        return averages

    def _walk(self, ratios: Powers, floor: float) -> Iterator[Stretch]:
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

    def _end(self, floor: float) -> Iterator[Stretch]:
        """Give the stretch at hand, if it was more than a swell of the noise."""
        assert self._busy is not None
        if self._loudest > self._busy_ratio or self._opens:
            yield self._cut(self._busy, self._busy_end + self._blocks(MARGIN_S), floor)
        self._busy, self._loudest = None, 0.0

    def _shorten(self, floor: float) -> Iterator[Stretch]:
        """Give the first part of a stretch too long: what follows is steady tone, or the rest."""
        assert self._busy is not None
        half = self._blocks(WINDOW_S) // 2
        skip = self._busy + self._blocks(EDGE_S)
        level = self._averages(skip, self._judged, half).max(axis=0)
        if level.min() > STEADY_RATIO * level.max():
            at = skip + half
            self._steady = float(np.median(level)) / max(float(self._floor().mean()), 1e-300)
        else:
            middle = len(level) // 2
            at = skip + middle + int(np.argmin(level[middle:]))
        stretch = self._cut(self._busy, at, floor, closes=True)
        self._busy = None if self._steady is not None else at
        self._opens = True
        yield stretch

    def _cut(
        self, start: int, end: int, floor: float, *, closes: bool = False, all_of: bool = False
    ) -> Stretch:
        if self._loudest < FAINT_RATIO and not all_of:
            wider = self._blocks(FAINT_S)
            if not self._opens:
                start = max(start - wider, self._cut_end, self._first, 0)
            if not closes:
                end = min(end + wider, self._first + self._power.shape[1])
        self._loudest, self._cut_end = 0.0, end
        origin = self._first * self.block
        first = start * self.block - origin
        stop = None if all_of else end * self.block - origin
        unit = UNIT_BLOCKS * self.block
        units = list(self._kept)[first // unit : None if stop is None else stop // unit + 1]
        kept = units[0] if len(units) == 1 else np.concatenate(units)
        skipped = first // unit * unit
        part = kept[first - skipped : None if stop is None else stop - skipped]
        opens, self._opens = self._opens, closes
        return Stretch(self._scaled(part), start * self.block, floor, opens, closes)

    def _forget(self, half: int) -> None:
        """Drop the units that no stretch to come can need."""
        need = self._judged - half - 3 * self._blocks(MARGIN_S) - self._blocks(FAINT_S)
        if self._busy is not None:
            need = min(need, self._busy - half - self._blocks(FAINT_S))
        if self._steady is not None:
            need = self._judged - half - self._blocks(EDGE_S) - half
        while len(self._kept) > 1 and self._first + UNIT_BLOCKS <= need:
            self._kept.popleft()
            self._first += UNIT_BLOCKS
            self._power = self._power[:, UNIT_BLOCKS:]
