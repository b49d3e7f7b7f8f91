"""Samples -> block powers: the power at two reference frequencies, and the mean, of each block.

Samples are cut into blocks of about two cycles of the carrier. Where they come fast, every second
block is measured, which is enough. One product with a small matrix gives for each block the
quadrature components at two frequencies across the carrier's tolerance, blind to the supply and
its slope, and the mean. Blocks are gathered in slabs that fit the processor's cache. They are
given in batches that begin at fixed samples, so the outcome is the same for any chunks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus import standard as std
from bridge.signal.supply import reject_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]

BLOCK_S = 2 / std.CARRIER_HZ  # s, two cycles: the length of a block (judgement)
FEWEST_SAMPLES = 6  # of a block; fewer leave nothing of a tone without mean and slope (judgement)
FAST_HZ = 400e3  # samples a second from which every second block is left out (judgement)
# Hz, +-10 %: no carrier within +-20 % is over 2.2 kHz away (judgement)
REFERENCES_HZ = (19.8e3, 24.2e3)
BATCH_BLOCKS = 4096  # blocks given at once, 0.37 or 0.75 s (judgement)
MOST_SLAB_BLOCKS = 1024  # blocks multiplied at once, a divisor of BATCH_BLOCKS (judgement),
SLAB_BYTES = 1 << 19  # bytes, as many as fit the processor's second cache (common practice)
LARGEST_SAMPLE = 1e9  # in the unit of the samples; only a damaged file holds more (judgement)
# of filter taps, to divide by where a low rate leaves nothing of a reference (judgement)
LEAST_NORM = 1e-6


@dataclass(frozen=True, slots=True)
class BlockPowers:
    """The powers of consecutive blocks as (reference, block), their means, and their samples.

    Power is normalised to unit taps: of white noise it is the variance of a sample, twice.
    """

    power: Floats
    means: Floats
    samples: int


@lru_cache(maxsize=8)
def _filter_matrix(length: int, rate_hz: float, scale: float) -> Floats:
    """As (sample, column): cos and sin of each reference, free of a line, and the mean."""
    at = np.arange(length) - (length - 1) / 2
    columns = []
    for reference_hz in REFERENCES_HZ:
        angle = 2 * np.pi * reference_hz / rate_hz * at
        for wave in (np.cos(angle), np.sin(angle)):
            taps = reject_line(wave, np.ones(length))
            columns.append(taps / max(float(np.linalg.norm(taps)), LEAST_NORM))
    columns.append(np.full(length, 1 / length))
    return np.ascontiguousarray(scale * np.stack(columns, axis=1), dtype=np.float32)


def clip_damaged(values: Floats) -> Floats:
    """The same array, changed in place: NaN becomes 0, what is beyond LARGEST_SAMPLE becomes it."""
    if len(values) and not (values.max() < LARGEST_SAMPLE and values.min() > -LARGEST_SAMPLE):
        with np.errstate(invalid="ignore", over="ignore"):
            np.nan_to_num(values, copy=False, nan=0.0)
            np.clip(values, -LARGEST_SAMPLE, LARGEST_SAMPLE, out=values)
    return values


@dataclass(slots=True)
class PowerMeter:
    """Raw samples in any chunks -> batches of block powers.

    A raw sample times `scale` plus `offset` is in the unit of the trace.
    """

    rate_hz: float
    scale: float = 1.0
    offset: float = 0.0
    block: int = field(init=False)  # samples from one block to the next
    _length: int = field(init=False)  # samples of a block that are measured
    _slab_blocks: int = field(init=False)
    _matrix: Floats = field(init=False)
    _slab: Floats = field(init=False)  # what is to be measured, a block a row
    _filled: int = 0  # samples that have come into the slab
    _products: Floats = field(init=False)  # of the batch at hand
    _blocks: int = 0  # rows of it that are made

    def __post_init__(self) -> None:
        self._length = max(FEWEST_SAMPLES, round(self.rate_hz * BLOCK_S))
        self.block = 2 * self._length if self.rate_hz >= FAST_HZ else self._length
        self._matrix = _filter_matrix(self._length, self.rate_hz, self.scale)
        fitting = max(SLAB_BYTES // (4 * self._length), 1)
        self._slab_blocks = min(1 << (fitting.bit_length() - 1), MOST_SLAB_BLOCKS)
        self._slab = np.empty((self._slab_blocks, self._length), np.float32)
        self._products = np.empty((BATCH_BLOCKS, self._matrix.shape[1]), np.float32)

    def push(self, chunk: NDArray[Any]) -> Iterator[BlockPowers]:
        """Take raw samples of any type; give the batches that are full."""
        slab = self._slab_blocks * self.block
        start = 0
        while start < len(chunk):
            end = start + slab - self._filled
            with np.errstate(invalid="ignore", over="ignore"):
                self._fill(chunk[start:end])
                if self._filled == slab:
                    self._multiply()
            start = end
            if self._blocks == BATCH_BLOCKS:
                yield self._measure(BATCH_BLOCKS * self.block)

    def finish(self) -> Iterator[BlockPowers]:
        """Give what is left; samples after the last whole block are only counted."""
        samples = self._blocks * self.block + self._filled
        with np.errstate(invalid="ignore", over="ignore"):
            self._multiply()
        if samples:
            yield self._measure(samples)

    def _fill(self, piece: NDArray[Any]) -> None:
        """Copy what is measured of each block into its row, as float32."""
        row, column = divmod(self._filled, self.block)
        self._filled += len(piece)
        if column:  # the rest of a block that has begun
            part = piece[: max(self._length - column, 0)]
            self._slab[row, column : column + len(part)] = part
            piece = piece[self.block - column :]
            row += 1
        whole = len(piece) // self.block
        if whole:
            rows = piece[: whole * self.block].reshape(whole, self.block)
            self._slab[row : row + whole] = rows[:, : self._length]
        part = piece[whole * self.block :][: self._length]
        if len(part):
            self._slab[row + whole, : len(part)] = part

    def _multiply(self) -> None:
        whole = self._filled // self.block
        self._filled = 0
        end = self._blocks + whole
        np.matmul(self._slab[:whole], self._matrix, out=self._products[self._blocks : end])
        self._blocks = end

    def _measure(self, samples: int) -> BlockPowers:
        products = clip_damaged(self._products[: self._blocks])
        self._blocks = 0
        squares = np.square(products)
        power = np.empty((len(REFERENCES_HZ), len(products)), np.float32)
        for n, row in enumerate(power):
            np.add(squares[:, 2 * n], squares[:, 2 * n + 1], out=row)
        return BlockPowers(power, products[:, -1] + np.float32(self.offset), samples)
