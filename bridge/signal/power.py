"""Samples -> the power at two carriers in each block of them, and its mean: read once, not kept.

Samples are cut into blocks of about two cycles of the carrier; where they come fast, every second
block is looked at, and tells enough. One product with a small table gives for each block the
quadrature components at two carriers across the tolerance, blind to the supply and its slope,
and the mean. Blocks are gathered in slabs that stay in the processor's nearer memory, and given
in units that begin at fixed samples, so that the outcome is the same for any chunks.
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

BLOCK_S = 2 / std.CARRIER_HZ  # s, two cycles: the length looked at in a block
FAST_HZ = 400e3  # samples a second from which every second block is left out
REFERENCES_HZ = (
    19_800.0,
    24_200.0,
)  # Hz: no carrier within +-20 % is over 2.2 kHz away
BATCH_BLOCKS = 4096  # blocks given at once, 0.37 or 0.75 s
MOST_SLAB_BLOCKS = 1024  # of these, multiplied at once; a part of BATCH_BLOCKS,
SLAB_BYTES = 1 << 19  # as many as stay in the processor's nearer memory
HIGHEST = 1e9  # in the unit of the samples; beyond it lies a damaged file


@dataclass(frozen=True, slots=True)
class BlockPowers:
    """What some blocks in a row hold: `power` as (probe, block), and the mean of each."""

    power: Floats
    means: Floats
    samples: int


@lru_cache(maxsize=8)
def _table_of(block: int, rate_hz: float, scale: float) -> Floats:
    """Columns cos, sin for each probe, blind to a constant and a slope, and the mean."""
    n = np.arange(block) - (block - 1) / 2
    columns = []
    for probe_hz in REFERENCES_HZ:
        angle = 2 * np.pi * probe_hz / rate_hz * n
        for wave in (np.cos(angle), np.sin(angle)):
            freed = reject_line(wave, np.ones(block))
            columns.append(freed / np.linalg.norm(freed))
    columns.append(np.full(block, 1 / block))
    return np.ascontiguousarray(scale * np.stack(columns, axis=1), dtype=np.float32)


def clip_damaged(values: Floats) -> Floats:
    """The same array; what is no number counts as 0 in it, what is beyond reason as HIGHEST."""
    if len(values) and not (values.max() < HIGHEST and values.min() > -HIGHEST):
        with np.errstate(invalid="ignore", over="ignore"):
            np.nan_to_num(values, copy=False, nan=0.0)
            np.clip(values, -HIGHEST, HIGHEST, out=values)
    return values


@dataclass(slots=True)
class PowerMeter:
    """Raw samples in any chunks -> units; raw * `scale` + `offset` is the unit of the trace."""

    rate_hz: float
    scale: float = 1.0
    offset: float = 0.0
    block: int = field(init=False)  # samples from one block to the next
    _look: int = field(init=False)  # samples of a block that are looked at
    _slab_blocks: int = field(init=False)
    _table: Floats = field(init=False)
    _slab: Floats = field(init=False)  # what is looked at, a block a row
    _filled: int = 0  # samples that have come into the slab
    _products: Floats = field(init=False)  # of the unit at hand
    _blocks: int = 0  # rows of it that are made

    def __post_init__(self) -> None:
        self._look = max(6, round(self.rate_hz * BLOCK_S))
        self.block = 2 * self._look if self.rate_hz >= FAST_HZ else self._look
        self._table = _table_of(self._look, self.rate_hz, self.scale)
        fitting = max(SLAB_BYTES // (4 * self._look), 1)
        self._slab_blocks = min(1 << (fitting.bit_length() - 1), MOST_SLAB_BLOCKS)
        self._slab = np.empty((self._slab_blocks, self._look), np.float32)
        self._products = np.empty((BATCH_BLOCKS, 2 * len(REFERENCES_HZ) + 1), np.float32)

    def push(self, chunk: NDArray[Any]) -> Iterator[BlockPowers]:
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
        """Give what is left; samples after the last whole block are counted only."""
        samples = self._blocks * self.block + self._filled
        with np.errstate(invalid="ignore", over="ignore"):
            self._multiply()
        if samples:
            yield self._measure(samples)

    def _fill(self, piece: NDArray[Any]) -> None:
        """Copy what is looked at of each block into its row: that turns it into float32."""
        row, column = divmod(self._filled, self.block)
        self._filled += len(piece)
        if column:  # the rest of a block begun
            seen = piece[: max(self._look - column, 0)]
            self._slab[row, column : column + len(seen)] = seen
            piece = piece[self.block - column :]
            row += 1
        whole = len(piece) // self.block
        if whole:
            rows = piece[: whole * self.block].reshape(whole, self.block)
            self._slab[row : row + whole] = rows[:, : self._look]
        seen = piece[whole * self.block :][: self._look]
        if len(seen):
            self._slab[row + whole, : len(seen)] = seen

    def _multiply(self) -> None:
        whole = self._filled // self.block
        self._filled = 0
        end = self._blocks + whole
        np.matmul(self._slab[:whole], self._table, out=self._products[self._blocks : end])
        self._blocks = end

    def _measure(self, samples: int) -> BlockPowers:
        products = clip_damaged(self._products[: self._blocks])
        self._blocks = 0
        squares = np.square(products)
        power = np.empty((len(REFERENCES_HZ), len(products)), np.float32)
        for n, row in enumerate(power):
            np.add(squares[:, 2 * n], squares[:, 2 * n + 1], out=row)
        return BlockPowers(power, products[:, -1] + np.float32(self.offset), samples)
