"""The bits of a found sequence decided again, each at its own place: marks with margins."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark
from bridge.signal.likelihood import log_i0
from bridge.signal.weak.estimate import Estimate
from bridge.signal.weak.sequence import BIT_PRIOR, BitSequence, Cells
from bridge.signal.weak.timing import best_loose

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]
    Counts = NDArray[np.int64]

WHOLE_NATS = 7.0  # nats that a whole number of bytes is worth, where a message ends (judgement)
RANGE_S = (std.SLOT_S - std.SLOT_TOLERANCE_S, std.SLOT_S + std.SLOT_TOLERANCE_S)  # s, allowed slots
FIT_CELLS = ((2.0, 9), (0.5, 7))  # (cells about the first fit, steps) of fitting (judgement)
LOSS, LOSS_NATS = 0.004, 4.0  # of the score, and nats, that steady slots may lose (judgement)
LOST_SHARE, LOST_NATS = 0.4, 8.0  # of a tone's weight, and nats: below, none (judgement)
SLOT_CHANGE = 0.2  # of a slot, as the standard allows it to vary
EXTRA_BITS = 2  # bits by which a message may be longer or shorter at either end (judgement)


def decide_bits(cells: Cells, sequence: BitSequence, estimate: Estimate) -> Iterator[Mark]:
    """Marks of a sequence; a bit in whose place there is no tone leaves none.

    Steady slots are fitted to the whole message at once, unless slots that wander explain more.
    """
    steady = _fit_steady(cells, sequence, estimate) if sequence.steady else None
    if steady is not None and steady.score > sequence.score - LOSS_NATS - LOSS * sequence.score:
        starts, bits, margins = steady.starts, steady.bits, steady.margins
        ends = starts + np.where(bits == 1, steady.slot, 2 * steady.slot)
    else:
        if sequence.steady:
            sequence = best_loose(cells, sequence, estimate, sequence.slot * cells.step_s)
        starts, bits = sequence.starts, sequence.bits
        ends = starts + sequence.tones
        margins = _margins(cells, sequence, estimate)
    factor, gain = estimate.weights(cells)
    tone = log_i0(factor * np.abs(cells.between(starts, ends))) - gain * (ends - starts)
    there = tone > -LOST_SHARE * gain * (ends - starts) - LOST_NATS
    for n in np.flatnonzero(there).tolist():
        yield Mark(
            cells.start_s + float(starts[n]) * cells.step_s,
            cells.start_s + float(ends[n]) * cells.step_s,
            bit=int(bits[n]),
            margin=float(margins[n]),
            carrier_hz=estimate.carrier_hz,
        )


def _weigh(
    cells: Cells, starts: Reals, slot: Reals | float, estimate: Estimate
) -> tuple[Reals, Reals]:
    """Log likelihood ratios of a 1 and of a 0 that begin at `starts`, in nats."""
    factor, gain = estimate.weights(cells)
    one = log_i0(factor * np.abs(cells.between(starts, starts + slot))) - gain * slot
    two = log_i0(factor * np.abs(cells.between(starts, starts + 2 * slot))) - 2 * gain * slot
    return one, two


@dataclass(frozen=True, slots=True)
class SteadyFit:
    """Bits of a message whose slots are all alike, `slot` cells each.

    `score` is in nats, of as many bits as the sequence had.
    """

    starts: Reals
    slot: float
    bits: Counts
    margins: Reals
    score: float


def _fit_steady(cells: Cells, sequence: BitSequence, estimate: Estimate) -> SteadyFit:
    """Fit slots that are all alike to the whole message, and decide each bit again."""
    count = len(sequence.bits)
    order = np.arange(count, dtype=np.float64)
    middle = (count - 1) / 2
    slot = sequence.slot
    if count > 1:
        slot = float(np.polyfit(order, sequence.starts, 1)[0]) / 3
    centre = float(sequence.starts.mean())  # where the bit in the middle begins
    for reach, steps in FIT_CELLS:
        shifts = np.linspace(-reach, reach, steps)
        bends = shifts / (1.5 * count)
        shift, bend = (grid.ravel()[:, None] for grid in np.meshgrid(shifts, bends))
        starts = centre + shift + 3 * (slot + bend) * (order - middle)
        one, two = _weigh(cells, starts, slot + bend, estimate)
        best = int(np.where(sequence.bits == 1, one, two).sum(axis=1).argmax())
        centre, slot = centre + float(shift[best, 0]), slot + float(bend[best, 0])
    least, most = (bound / cells.step_s for bound in RANGE_S)
    slot = float(np.clip(slot, least, most))
    around = np.arange(-EXTRA_BITS, count + EXTRA_BITS, dtype=np.float64)
    starts = centre + 3 * slot * (around - middle)
    one, two = _weigh(cells, starts, np.float64(slot), estimate)
    inside = (starts >= 0) & (starts + 2 * slot <= len(cells.sums) - 1)
    scores = np.where(inside, np.maximum(one, two) + BIT_PRIOR, -1e6)
    total = np.concatenate(([0.0], np.cumsum(scores)))
    spans = [
        (begin, end)
        for begin in range(2 * EXTRA_BITS + 1)
        for end in range(max(begin + 1, count), count + 2 * EXTRA_BITS + 1)
    ]
    whole = [WHOLE_NATS if (end - begin) % std.BITS_PER_BYTE == 0 else 0.0 for begin, end in spans]
    worth = [total[end] - total[begin] for begin, end in spans]
    begin, end = spans[int(np.argmax(np.add(worth, whole)))]
    sent = slice(begin, end)
    return SteadyFit(
        starts[sent],
        slot,
        (one[sent] > two[sent]).astype(np.int64),
        np.abs(one[sent] - two[sent]),
        float(total[count + EXTRA_BITS] - total[EXTRA_BITS]),
    )


def _margins(cells: Cells, sequence: BitSequence, estimate: Estimate) -> Reals:
    """How much likelier each bit is than the other, at its place in a sequence of uneven slots."""
    bounds = np.append(sequence.starts, sequence.starts[-1] + 3 * sequence.slot)
    each = np.diff(bounds) / 3
    slots = np.clip(
        each, (1 - SLOT_CHANGE) * sequence.slot, (1 + SLOT_CHANGE) * sequence.slot
    ).astype(np.float64)
    one, two = _weigh(cells, sequence.starts, slots, estimate)
    lead = np.where(sequence.bits == 1, one - two, two - one)
    margins: Reals = np.maximum(lead, 0.0)
    return margins
