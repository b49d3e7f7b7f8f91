"""Tone near the noise -> marks: whole slots weighed, timing followed from bit to bit.

Samples are turned down by the carrier and summed in cells of some 20 us. A stretch of tone of
unknown phase and known level weighs log I0(2 sqrt(g) |z|) - g against none, z being its matched
filter and g its energy over the noise density. The best chain of bits is found by dynamic
programming over where each begins, under a few lengths of the slot, first with slots all alike,
then, where that does not explain what is there, with slots that wander as the standard allows.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.baseband import Signal

    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex128]
    Counts = NDArray[np.int64]

CELL_S = 22e-6  # s, cells in which the tone is summed: half a cycle
BASELINE_S = 1e-3  # s either side over which the supply is averaged out
SHORTEST_S, LONGEST_S = 0.36e-3, 1.26e-3  # s of tone weighed: one and two slots at their bounds
SLOTS_S = tuple(n * 1e-5 for n in range(42, 59))  # s, lengths of the slot that are tried
STIFF_S, LOOSE_S = 7e-6, 45e-6  # s by which a slot may wander: a crystal's sender, and any allowed
BIT_PRIOR = -float(np.log(2))  # either bit is as likely
NONE = -1e30


@dataclass(frozen=True, slots=True)
class Cells:
    """Sums of the turned-down samples up to each cell border, `step_s` apart from `start_s`."""

    sums: Complexes
    start_s: float
    step_s: float
    count: int  # samples in a cell

    def between(self, from_cell: Reals, to_cell: Reals) -> Complexes:
        """The sum between two borders, which may lie inside cells."""
        n = np.arange(len(self.sums))
        low = np.interp(from_cell, n, self.sums.real) + 1j * np.interp(from_cell, n, self.sums.imag)
        high = np.interp(to_cell, n, self.sums.real) + 1j * np.interp(to_cell, n, self.sums.imag)
        return high - low


@dataclass(frozen=True, slots=True)
class Chain:
    """Bits in a row: their values, where each begins and how long its tone is, in cells."""

    bits: Counts
    starts: Reals
    tones: Reals
    slot: float  # cells
    score: float
    stiff: bool


def cells_of(signal: Signal, carrier_hz: float) -> Cells:
    """Turn the carrier down and sum it in cells; the supply is averaged out first."""
    rate_hz = signal.rate_hz
    samples = signal.samples.astype(np.float64)
    reach = max(1, round(rate_hz * BASELINE_S))
    total = np.concatenate(([0.0], np.cumsum(samples)))
    at = np.arange(len(samples))
    low, high = np.maximum(at - reach, 0), np.minimum(at + reach + 1, len(samples))
    samples = samples - (total[high] - total[low]) / (high - low)
    turned = samples * np.exp(-2j * np.pi * ((carrier_hz / rate_hz * at) % 1.0))
    count = max(1, round(rate_hz * CELL_S))
    whole = len(samples) // count
    per_cell = turned[: whole * count].reshape(whole, count).sum(axis=1)
    sums = np.concatenate(([0.0], np.cumsum(per_cell)))
    return Cells(sums, signal.start_s - 0.5 / rate_hz, count / rate_hz, count)


@lru_cache(maxsize=1)
def _bessel_table() -> tuple[Reals, Reals]:
    x = np.concatenate((np.linspace(0, 20, 2001), np.linspace(20.1, 700, 3000)))
    return x, np.log(np.i0(x)) - x


def log_i0(x: Reals) -> Reals:
    """log of the modified Bessel function I0, to 1e-4."""
    at, rest = _bessel_table()
    value: Reals = x + np.interp(x, at, rest)
    return value


class Chains:
    """Best chains of bits over cells, for a level and noise; `wander_s` as in STIFF_S."""

    def __init__(self, cells: Cells, level: float, deviation: float, wander_s: float) -> None:
        self._step_s = cells.step_s
        self._stiff = wander_s <= STIFF_S
        self._least = max(1, int(SHORTEST_S / cells.step_s))
        most = int(np.ceil(LONGEST_S / cells.step_s))
        self._pad = 2 * most
        self._cells = len(cells.sums) - 1
        self._weigh(cells, level, deviation, most)
        reach = 1 if self._stiff else round(2.2 * wander_s / cells.step_s)
        slots = np.array(SLOTS_S) / cells.step_s
        self._slots = slots
        spread = max(wander_s / cells.step_s, 0.4)
        self._one = self._options(slots, spread, reach)
        self._two = self._options(2 * slots, np.sqrt(2) * spread, round(1.4 * reach))
        self._run()

    def _weigh(self, cells: Cells, level: float, deviation: float, most: int) -> None:
        """Weights of a tone from any cell on, of any length in cells."""
        self._lengths = most - self._least + 1
        gain = level**2 * cells.count / (4 * deviation**2)
        weights = np.full((self._pad + self._cells, self._lengths), NONE)
        for n in range(self._lengths):
            length = self._least + n
            size = np.abs(cells.sums[length:] - cells.sums[: len(cells.sums) - length])
            weights[self._pad : self._pad + len(size), n] = (
                log_i0(level / deviation**2 * size) - gain * length
            )
        self._weights = weights.ravel()

    def _options(self, middle: Reals, spread: float, reach: int) -> tuple[Counts, Reals]:
        """(lengths, log priors) by slot length and deviation from it."""
        lengths = np.rint(middle)[:, None].astype(np.int64) + np.arange(-reach, reach + 1)
        lengths = np.clip(lengths, self._least, self._least + self._lengths - 1)
        prior = -0.5 * ((lengths - middle[:, None]) / spread) ** 2
        prior -= np.log(np.exp(prior).sum(axis=1, keepdims=True))
        return lengths, prior

    def _run(self) -> None:
        rows, width = len(self._slots), self._pad + self._cells + 1
        row = (np.arange(rows) * width)[:, None, None]
        begun = np.full((rows, width), NONE)
        begun[:, self._pad :] = 0.0
        ended = np.full((2, rows, width), NONE)
        self._from_tone = np.zeros((2, rows, width), dtype=np.int8)
        self._from_quiet = np.full((rows, width), -1, dtype=np.int8)
        flat_begun, flat_ended = begun.ravel(), (ended[0].ravel(), ended[1].ravel())
        tones = (self._two, self._one)  # of a 0, of a 1
        quiets = (self._one, self._two)
        tone_at = [row - lengths[:, None, :] for lengths, _ in tones]
        weight_at = [
            -lengths[:, None, :] * self._lengths + (lengths[:, None, :] - self._least)
            for lengths, _ in tones
        ]
        quiet_at = [row - lengths[:, None, :] for lengths, _ in quiets]
        tone_prior = [prior[:, None, :] + BIT_PRIOR for _, prior in tones]
        quiet_prior = [prior[:, None, :] for _, prior in quiets]
        for start in range(self._pad, width, self._least):
            stop = min(start + self._least, width)
            here = np.arange(start, stop)[None, :, None]
            for bit in (0, 1):
                score = flat_begun[tone_at[bit] + here]
                score += self._weights[weight_at[bit] + here * self._lengths]
                score += tone_prior[bit]
                best = score.argmax(axis=2)
                self._from_tone[bit, :, start:stop] = best
                ended[bit, :, start:stop] = np.take_along_axis(score, best[:, :, None], 2)[:, :, 0]
            both = [(flat_ended[bit][quiet_at[bit] + here] + quiet_prior[bit]) for bit in (0, 1)]
            score = np.concatenate(both, axis=2)
            best = score.argmax(axis=2)
            value = np.take_along_axis(score, best[:, :, None], 2)[:, :, 0]
            on = value > 0.0
            self._from_quiet[:, start:stop] = np.where(on, best, -1)
            begun[:, start:stop] = np.where(on, value, 0.0)
        self._ended = ended

    def best(self) -> Chain:
        """The chain with the highest score; no chain scores as low as NONE."""
        return self._trace(int(self._ended.max(axis=(0, 1)).argmax()))

    def _trace(self, end: int) -> Chain:
        score = float(self._ended[:, :, end].max())
        bit, row = divmod(int(self._ended[:, :, end].argmax()), len(self._slots))
        tones, quiets = (self._two, self._one), (self._one, self._two)
        bits, starts, lengths = [], [], []
        at = end
        while True:
            length = int(tones[bit][0][row, self._from_tone[bit, row, at]])
            at -= length
            bits.append(bit)
            starts.append(at - self._pad)
            lengths.append(length)
            code = int(self._from_quiet[row, at])
            if code < 0:
                break
            zeros = quiets[0][0].shape[1]
            bit, option = (0, code) if code < zeros else (1, code - zeros)
            at -= int(quiets[bit][0][row, option])
        return Chain(
            np.array(bits[::-1]),
            np.array(starts[::-1], dtype=np.float64),
            np.array(lengths[::-1], dtype=np.float64),
            float(self._slots[row]),
            score,
            self._stiff,
        )
