"""Tone near the noise -> the likeliest sequence of bits: whole slots weighed, timing followed.

Samples are brought to zero frequency and summed in cells of some 20 us. A stretch of tone of
unknown phase and known level has the log likelihood ratio log I0(2 sqrt(g) |z|) - g against none,
where z is its matched filter output and g its energy over the noise density. Dynamic programming
(the Viterbi algorithm) over where each bit begins finds the best sequence, for several lengths
of the slot: first with slots all alike, then, where that does not explain what is there, with
slots that wander as far as the standard allows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.signal.baseband import conjugate_carrier
from bridge.signal.likelihood import log_i0
from bridge.signal.supply import remove_supply

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.signal.baseband import Signal

    Reals = NDArray[np.float64]
    Scores = NDArray[np.float32]
    Complexes = NDArray[np.complex128]
    Counts = NDArray[np.int64]

CELL_S = 22e-6  # s, cells in which the tone is summed: half a cycle (judgement)
SHORTEST_S, LONGEST_S = 0.36e-3, 1.26e-3  # s of tone weighed: one and two slots at their bounds,
# 0.4 and 1.2 ms, and two or three cells of room (judgement)
SLOTS_S = tuple(n * 1e-5 for n in range(42, 59))  # s, lengths of the slot tried (judgement)
STEADY_JITTER_S = 7e-6  # s, deviation of a slot of a sender with a crystal (judgement)
LOOSE_JITTER_S = 45e-6  # s, deviation of a slot anywhere in its 0.5 +-0.1 ms (judgement)
REACH = 2.2  # deviations of a slot that are tried (judgement)
LEAST_SPREAD = 0.4  # cells, deviation of a slot that rounding to cells brings (judgement)
NEAR_S = 36e-6  # s about a known length of the slot within which others are tried (judgement)
BIT_PRIOR = -float(np.log(2))  # nats: either bit is as likely
IMPOSSIBLE = -1e30  # nats (judgement)


@dataclass(frozen=True, slots=True)
class Cells:
    """Sums of the tone at zero frequency up to each cell border, `step_s` apart from `start_s`."""

    sums: Complexes
    start_s: float
    step_s: float
    count: int  # samples in a cell

    def between(self, from_cell: Reals, to_cell: Reals) -> Complexes:
        """The sums between pairs of borders, which may lie inside cells."""
        n = np.arange(len(self.sums))
        sums: Complexes = np.interp(to_cell, n, self.sums) - np.interp(from_cell, n, self.sums)
        return sums


@dataclass(frozen=True, slots=True)
class BitSequence:
    """Bits in a row: their values, where each begins and how long its tone is, in cells.

    `score` is in nats over noise alone. A `steady` sequence has slots that are all alike.
    """

    bits: Counts
    starts: Reals
    tones: Reals
    slot: float  # cells
    score: float
    steady: bool


def cells_of(signal: Signal, carrier_hz: float) -> Cells:
    """Bring the carrier to zero frequency and sum it in cells; the supply is taken out first."""
    rate_hz = signal.rate_hz
    samples = remove_supply(signal.samples, rate_hz)
    turned = samples * conjugate_carrier(carrier_hz / rate_hz, len(samples))
    count = max(1, round(rate_hz * CELL_S))
    whole = len(samples) // count
    per_cell = turned[: whole * count].reshape(whole, count).sum(axis=1)
    sums = np.concatenate(([0.0], np.cumsum(per_cell)))
    return Cells(sums, signal.start_s - 0.5 / rate_hz, count / rate_hz, count)


def _backward(scores: Scores, width: int) -> Scores:
    """View as (cell, bit, row, n): `width` scores from each cell on, for indexing backward."""
    return np.moveaxis(np.lib.stride_tricks.sliding_window_view(scores, width, axis=-1), 2, 0)


class SequenceSearch:
    """The best sequence of bits over cells, for a known level and deviation of the noise.

    A slot varies by `jitter_s`. With `near_s` only lengths of the slot near it are tried.

    Scores are tables as (bit, length of slot, cell). Each row is shifted by its shortest tone or
    quiet, so that all that may come before a cell lies side by side.
    """

    def __init__(
        self,
        cells: Cells,
        level: float,
        deviation: float,
        jitter_s: float,
        near_s: float | None = None,
    ) -> None:
        self._steady = jitter_s <= STEADY_JITTER_S
        self._least = max(1, int(SHORTEST_S / cells.step_s))
        most = int(np.ceil(LONGEST_S / cells.step_s))
        self._pad = 2 * most
        self._cells = len(cells.sums) - 1
        self._lengths = most - self._least + 1
        self._weights = self._weigh(cells, level, deviation)
        reach = 1 if self._steady else round(REACH * jitter_s / cells.step_s)
        tried_s = np.array(SLOTS_S)
        if near_s is not None:
            tried_s = tried_s[np.abs(tried_s - near_s) < NEAR_S]
        self._slots = tried_s / cells.step_s
        spread = max(jitter_s / cells.step_s, LEAST_SPREAD)
        wider = round(np.sqrt(2) * reach)
        self._options = 2 * wider + 1  # lengths tried about that of each slot
        one = self._lengths_about(self._slots, spread, reach)
        two = self._lengths_about(2 * self._slots, np.sqrt(2) * spread, wider)
        self._tone_least = np.stack((two[0], one[0]))  # of a 0, of a 1
        self._quiet_least = np.stack((one[0], two[0]))  # after a 0, after a 1
        self._tone_prior = np.stack((two[1], one[1]), axis=1) + np.float32(BIT_PRIOR)
        self._quiet_prior = np.stack((one[1], two[1]), axis=1)
        rows, width = len(self._slots), self._pad + self._cells + 1
        room = width + self._pad + self._options  # a row shifted by the longest tone
        # The best score of all up to a cell at which a tone may begin, and at which it has ended:
        self._begun = np.full((2, rows, room), IMPOSSIBLE)
        self._ended = np.full((2, rows, room), IMPOSSIBLE, dtype=np.float32)
        self._best = np.full((2, rows, width), IMPOSSIBLE, dtype=np.float32)  # ended, not shifted
        self._run()

    def _weigh(self, cells: Cells, level: float, deviation: float) -> Scores:
        """Log likelihood ratios as (length, cell) of a tone that ends at a cell."""
        gain = level**2 * cells.count / (4 * deviation**2)
        weights = np.full(
            (self._lengths, self._pad + self._cells + 1), IMPOSSIBLE, dtype=np.float32
        )
        for n in range(self._lengths):
            length = self._least + n
            size = np.abs(cells.sums[length:] - cells.sums[: len(cells.sums) - length])
            size *= level / deviation**2
            weights[n, self._pad + length : self._pad + length + len(size)] = (
                log_i0(size) - gain * length
            )
        return weights

    def _lengths_about(self, middle: Reals, spread: float, reach: int) -> tuple[Counts, Scores]:
        """(shortest length, log priors of it and of each cell more) by length of slot."""
        shortest = np.rint(middle).astype(np.int64) - reach
        lengths = shortest[:, None] + np.arange(2 * reach + 1)
        most = self._least + self._lengths - 1
        prior = -0.5 * ((np.clip(lengths, self._least, most) - middle[:, None]) / spread) ** 2
        prior -= np.log(np.exp(prior).sum(axis=1, keepdims=True))
        prior[(lengths < self._least) | (lengths > most)] = IMPOSSIBLE
        whole = np.full((self._options, len(middle)), IMPOSSIBLE, dtype=np.float32)
        whole[: 2 * reach + 1] = prior.T
        return shortest, whole

    def _run(self) -> None:
        """Fill the tables from left to right, as many cells at once as cannot depend on another."""
        _, rows, room = self._begun.shape
        width = self._best.shape[2]
        row = np.arange(2 * rows).reshape(2, rows, 1) * room
        at_begun = row + self._tone_least[:, :, None]
        at_ended = row + self._quiet_least[:, :, None]
        begun, ended = self._begun.ravel(), self._ended.ravel()
        begun[at_begun + np.arange(self._pad, self._pad + self._least)] = 0.0
        tone_prior, quiet_prior = self._tone_prior[..., None], self._quiet_prior[..., None]
        order = np.arange(self._options)[:, None, None]
        which = np.clip(self._tone_least + order - self._least, 0, self._lengths - 1)
        step = 2 * self._least  # a tone and a quiet are that long: all before it is known
        before_tone, before_quiet = _backward(self._begun, step), _backward(self._ended, step)
        scores = np.empty((self._options, 2, rows, step), dtype=np.float32)
        most = np.empty((2, rows, step), dtype=np.float32)
        begins, ends = self._pad + self._least, self._pad  # cells known of either
        while ends < width:
            stop = min(begins + self._least, width)
            count = stop - ends
            score, value = scores[..., :count], most[..., :count]
            earlier = before_tone[ends : ends - self._options : -1, ..., :count]
            np.add(earlier, tone_prior, out=score)
            score += self._weights[:, ends:stop].take(which, axis=0)
            score.max(axis=0, out=value)
            self._best[:, :, ends:stop] = value
            ended[at_ended + np.arange(ends, stop)] = value
            ends, stop = stop, min(stop + self._least, width)
            if begins < stop:
                count = stop - begins
                score, value = scores[..., :count], most[..., :count]
                earlier = before_quiet[begins : begins - self._options : -1, ..., :count]
                np.add(earlier, quiet_prior, out=score)
                score.max(axis=0, out=value)
                on = np.maximum(value.max(axis=0), 0.0)  # below 0 a sequence begins here
                begun[at_begun + np.arange(begins, stop)] = on
                begins = stop

    def best(self) -> BitSequence:
        """The sequence with the highest score."""
        return self._trace(int(self._best.max(axis=(0, 1)).argmax()))

    def _trace(self, end: int) -> BitSequence:
        score = float(self._best[:, :, end].max())
        bit, row = divmod(int(self._best[:, :, end].argmax()), len(self._slots))
        bits, starts, lengths = [], [], []
        at = end
        while True:
            length = self._tone_before(bit, row, at)
            at -= length
            bits.append(bit)
            starts.append(at - self._pad)
            lengths.append(length)
            if self._begun[0, row, at + self._tone_least[0, row]] <= 0.0:
                break
            bit, quiet = self._quiet_before(row, at)
            at -= quiet
        return BitSequence(
            np.array(bits[::-1]),
            np.array(starts[::-1], dtype=np.float64),
            np.array(lengths[::-1], dtype=np.float64),
            float(self._slots[row]),
            score,
            self._steady,
        )

    def _tone_before(self, bit: int, row: int, at: int) -> int:
        """Length of the tone of a bit that ends best at a cell."""
        least = int(self._tone_least[bit, row])
        order = np.arange(self._options)
        length = np.clip(least + order - self._least, 0, self._lengths - 1)
        score = self._begun[bit, row, at - order] + self._tone_prior[:, bit, row]
        return least + int((score + self._weights[length, at]).argmax())

    def _quiet_before(self, row: int, at: int) -> tuple[int, int]:
        """(bit, length of the quiet after it) that lead best to a cell."""
        order = np.arange(self._options)
        score = self._ended[:, row, at - order] + self._quiet_prior[:, :, row].T
        bit, option = divmod(int(score.argmax()), self._options)
        return bit, int(self._quiet_least[bit, row]) + option
