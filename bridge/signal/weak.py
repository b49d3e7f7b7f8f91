"""What `sequence` finds, turned into marks: level, carrier and timing settled, bits decided anew.

The best sequence of bits gives a first idea of level, noise and carrier; with these the search is
done again where they moved, slots that are all alike are fitted to the whole message at once, and
each bit is weighed against the other at its own place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import Signal, downconvert, estimate_carrier, moving_average, quantile
from bridge.signal.correlator import correlate, is_carrier
from bridge.signal.holes import find_holes_and_pulses
from bridge.signal.sequence import (
    BIT_PRIOR,
    LOOSE_JITTER_S,
    STEADY_JITTER_S,
    BitSequence,
    Cells,
    SequenceSearch,
    cells_of,
    log_i0,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]
    Counts = NDArray[np.int64]

SEEK_HZ = (17e3, 27e3)  # Hz, where a carrier is looked for among noise
USUAL_SHARE = 0.9  # of a stretch stays below the power of its tone, some tenth is tone
ACCEPT_NATS = 40.0  # score of a sequence that noise does not reach (see tests/benchmarks)
FIT_NATS = 0.85  # of the score that level and noise promise: below it slots are not all alike
SURE_NATS = 60.0  # energy of a slot over the noise from which wandering slots are tried as well
SHORTEST_S = 12e-3  # s of a stretch that may hold a message: one byte
WHOLE_NATS = 7.0  # what a whole number of bytes is worth, in the odds of where a message ends
RANGE_S = (0.4e-3, 0.6e-3)  # s, slots that the standard allows
FIT_CELLS = ((2.0, 9), (0.5, 7))  # (cells about the first idea, steps) of fitting the timing
UNEVEN, UNEVEN_NATS = 0.004, 4.0  # of the score, that alike slots may lose against wandering ones
LOST_SHARE, LOST_NATS = 0.4, 8.0  # of a tone's weight, below which there was none
FEWEST_CELLS = 60  # cells of quiet that tell the noise
EXTRA_BITS = 2  # bits by which a message may be longer or shorter than its sequence at either end
TONE_WINDOW_S = 1e-3  # s over which continuous tone is looked for: no bit fills a longer stretch
TONE_SHARE = 0.72  # of a tone's full size that such a window must hold
BORDER_S = 0.5e-3  # s left out beside a continuous tone
TONE_RUN_S = 5e-3  # s of such windows that are no bits
MOVED_HZ, MOVED = (
    60.0,
    0.12,
)  # change of carrier, and of level or noise, that calls for another pass


@dataclass(frozen=True, slots=True)
class Estimate:
    """What is thought of the tone: level and deviation in the unit of the samples."""

    carrier_hz: float
    level: float
    deviation: float

    def weights(self, cells: Cells) -> tuple[float, float]:
        """(factor of |z| in the argument of I0, weight of a cell)."""
        factor = self.level / self.deviation**2
        return factor, self.level**2 * cells.count / (4 * self.deviation**2)


def detect_weak(signal: Signal) -> list[Mark]:
    """The marks of all messages and tones, in time order; bits and margins are set."""
    if signal.deviation <= 0:
        return []
    return sorted(_search(signal), key=lambda mark: mark.on_s)


def _first_estimate(signal: Signal) -> Estimate:
    carrier_hz = estimate_carrier(signal, SEEK_HZ)
    base = downconvert(signal, carrier_hz)
    power = moving_average(np.square(base.envelope), round(0.7 * std.SLOT_S / base.step_s))
    usual = quantile(power, USUAL_SHARE)
    level = np.sqrt(max(usual - 2 * base.noise**2, base.noise**2))
    return Estimate(carrier_hz, float(level), signal.deviation)


def _search(signal: Signal) -> Iterator[Mark]:
    """A tone or the best message in the signal, and what is before and after it."""
    if len(signal.samples) < SHORTEST_S * signal.rate_hz:
        return
    estimate = _first_estimate(signal)
    tone = next(_tones(signal, estimate), None)
    marks = [tone] if tone is not None else _message(signal, estimate)
    if not marks:
        return
    if (cut_s := _two_messages(marks)) is not None:
        yield from _search(_part(signal, None, cut_s))
        yield from _search(_part(signal, cut_s, None))
        return
    yield from marks
    apart_s = BORDER_S if tone is not None else std.END_OF_MESSAGE_S / 2
    yield from _search(_part(signal, None, marks[0].on_s - apart_s))
    yield from _search(_part(signal, marks[-1].off_s + apart_s, None))


def _tones(signal: Signal, estimate: Estimate) -> Iterator[Mark]:
    """Tone that goes on for longer than any bit: burst A and continuous tone."""
    cells = cells_of(signal, estimate.carrier_hz)
    window = max(2, round(TONE_WINDOW_S / cells.step_s))
    if len(cells.sums) <= 2 * window:
        return
    size = np.abs(cells.sums[window:] - cells.sums[:-window])
    full = estimate.level * window * cells.count / 2
    ratio = size / full
    dips = round(0.5e-3 / cells.step_s)
    high = np.flatnonzero(ratio > TONE_SHARE)
    if not len(high):
        return
    breaks = np.flatnonzero(np.diff(high) > dips)
    firsts = [int(high[0]), *high[breaks + 1].tolist()]
    lasts = [*high[breaks].tolist(), int(high[-1])]
    for first, last in zip(firsts, lasts, strict=True):
        if (last - first) * cells.step_s < TONE_RUN_S:
            continue
        quarters = np.abs(np.diff(cells.sums[first : last + window : window // 4]))
        level = 2 * quantile(quarters, 0.5) / (window // 4 * cells.count)
        if level < TONE_SHARE * estimate.level:
            continue  # a click, not a tone
        on = _edge(cells, first, level, window, forward=True)
        off = _edge(cells, last + window, level, window, forward=False)
        yield Mark(
            cells.start_s + on * cells.step_s,
            cells.start_s + off * cells.step_s,
            carrier_hz=estimate.carrier_hz,
        )


def _edge(cells: Cells, near: int, level: float, window: int, *, forward: bool) -> int:
    """The cell border at which a tone begins (or ends), in phase with its first (last) part."""
    sums = cells.sums if forward else -cells.sums[::-1]
    last = len(sums) - 1
    at = near if forward else last - near
    inside = min(at + window // 2, last)
    until = min(inside + window, last)
    phase = sums[until] - sums[inside]
    if phase == 0:
        return near
    parts = np.real(np.diff(sums[max(0, at - window) : until + 1]) * np.conj(phase / abs(phase)))
    gain = np.cumsum((parts - level * cells.count / 4)[::-1])[::-1]
    edge = max(0, at - window) + int(gain.argmax())
    return edge if forward else last - edge


def _two_messages(marks: list[Mark]) -> float | None:
    """The middle of the longest quiet, where it is too long for one message."""
    gaps = [(after.on_s - before.off_s, before.off_s) for before, after in pairwise(marks)]
    length_s, from_s = max(gaps, default=(0.0, 0.0))
    return from_s + length_s / 2 if length_s > std.END_OF_MESSAGE_S else None


def _message(signal: Signal, estimate: Estimate) -> list[Mark]:
    """The marks of the best message in the signal; none if noise might have made it."""
    cells = cells_of(signal, estimate.carrier_hz)
    sequence = _best_sequence(cells, estimate)
    if sequence.score < ACCEPT_NATS:
        return []
    better = _measure(cells, sequence, estimate)
    if _moved(estimate, better):
        estimate = better
        cells = cells_of(signal, estimate.carrier_hz)
        sequence = _best_sequence(cells, estimate, sequence)
        better = _measure(cells, sequence, estimate)
    elif sequence.steady and estimate.weights(cells)[1] * sequence.slot >= SURE_NATS:
        sequence = _best_loose(cells, sequence, estimate, sequence.slot * cells.step_s)
    estimate = replace(better, carrier_hz=estimate.carrier_hz)
    if sequence.score < ACCEPT_NATS:
        return []
    marks = list(_marks(cells, sequence, estimate))
    if not marks:
        return []
    known = replace(signal, deviation=estimate.deviation)
    correlator = correlate(known, estimate.carrier_hz, estimate.level)
    return find_holes_and_pulses(correlator, marks) if is_carrier(correlator, marks) else []


def _part(signal: Signal, from_s: float | None, to_s: float | None) -> Signal:
    first = 0 if from_s is None else max(0, round((from_s - signal.start_s) * signal.rate_hz))
    end = None if to_s is None else max(0, round((to_s - signal.start_s) * signal.rate_hz))
    return replace(
        signal,
        samples=signal.samples[first:end],
        start_s=signal.start_s + first / signal.rate_hz,
    )


def _best_sequence(
    cells: Cells, estimate: Estimate, known: BitSequence | None = None
) -> BitSequence:
    """The best sequence: of slots all alike, unless wandering ones explain more.

    With one `known` slots about as long are tried; one that is to measure level and carrier first
    need but fit, however clear the tone is.
    """
    near_s = None if known is None else known.slot * cells.step_s
    steady = SequenceSearch(
        cells, estimate.level, estimate.deviation, STEADY_JITTER_S, near_s
    ).best()
    if steady.score < ACCEPT_NATS / 2:
        return steady
    _, gain = estimate.weights(cells)
    promised = float(np.sum(gain * steady.tones))
    fits = steady.score > FIT_NATS * (promised - 4 * len(steady.bits))
    if fits and (known is None or gain * steady.slot < SURE_NATS):
        return steady
    return _best_loose(cells, steady, estimate, near_s)


def _best_loose(
    cells: Cells, sequence: BitSequence, estimate: Estimate, near_s: float | None = None
) -> BitSequence:
    """A sequence of wandering slots, if it is better than this one."""
    loose = _search_bits(cells, estimate, LOOSE_JITTER_S, near_s)
    return max(sequence, loose, key=lambda each: each.score)


def _search_bits(
    cells: Cells, estimate: Estimate, jitter_s: float, near_s: float | None
) -> BitSequence:
    return SequenceSearch(cells, estimate.level, estimate.deviation, jitter_s, near_s).best()


def _measure(cells: Cells, sequence: BitSequence, estimate: Estimate) -> Estimate:
    """Level, noise and carrier, from the tone and the quiet of a sequence."""
    ends = sequence.starts + sequence.tones
    tone = cells.between(sequence.starts, ends)
    count = sequence.tones * cells.count
    quiet_from, quiet_to = ends[:-1] + 1, sequence.starts[1:] - 1
    n = np.arange(len(cells.sums) - 1)
    order = np.searchsorted(quiet_from, n, side="right") - 1
    inside = (order >= 0) & (n + 1 <= quiet_to[np.maximum(order, 0)]) if len(quiet_to) else n < 0
    power = np.square(np.abs(np.diff(cells.sums)))
    deviation = estimate.deviation
    if np.count_nonzero(inside) > FEWEST_CELLS:
        seen = float(np.sqrt(power[inside].mean() / cells.count))
        deviation = float(np.clip(seen, 0.6 * deviation, 1.6 * deviation))
    energy = float(np.sum(np.square(np.abs(tone)) - count * deviation**2))
    level = 2 * np.sqrt(max(energy, 0.0) / float(np.sum(count**2)))
    middle = (sequence.starts + ends) / 2
    turn = np.vdot(cells.between(sequence.starts, middle), cells.between(middle, ends))
    apart_s = float(np.average(sequence.tones, weights=sequence.tones)) / 2 * cells.step_s
    shift_hz = float(np.angle(turn)) / (2 * np.pi * apart_s)
    return Estimate(estimate.carrier_hz + shift_hz, max(level, 1e-12), deviation)


def _moved(before: Estimate, after: Estimate) -> bool:
    return (
        abs(after.carrier_hz - before.carrier_hz) > MOVED_HZ
        or abs(after.level / before.level - 1) > MOVED
        or abs(after.deviation / before.deviation - 1) > MOVED
    )


def _marks(cells: Cells, sequence: BitSequence, estimate: Estimate) -> Iterator[Mark]:
    """Marks of a sequence; a bit in whose place there is no tone at all leaves none."""
    even = _settle(cells, sequence, estimate) if sequence.steady else None
    if even is not None and even.score > sequence.score - UNEVEN_NATS - UNEVEN * sequence.score:
        starts, bits, margins = even.starts, even.bits, even.margins
        ends = starts + np.where(bits == 1, even.slot, 2 * even.slot)
    else:
        if sequence.steady:
            sequence = _best_loose(cells, sequence, estimate, sequence.slot * cells.step_s)
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
    """Weights of a 1 and of a 0 that begin at `starts`, in nats."""
    factor, gain = estimate.weights(cells)
    one = log_i0(factor * np.abs(cells.between(starts, starts + slot))) - gain * slot
    two = log_i0(factor * np.abs(cells.between(starts, starts + 2 * slot))) - 2 * gain * slot
    return one, two


@dataclass(frozen=True, slots=True)
class EvenFit:
    """Bits of a message whose slots are all alike, `slot` cells each.

    `score` is that of as many bits as the sequence had.
    """

    starts: Reals
    slot: float
    bits: Counts
    margins: Reals
    score: float


def _settle(cells: Cells, sequence: BitSequence, estimate: Estimate) -> EvenFit:
    """Fit slots that are all alike to the whole message, and decide each bit anew."""
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
    _, begin, end = max(
        (total[end] - total[begin] + (WHOLE_NATS if (end - begin) % 9 == 0 else 0.0), begin, end)
        for begin in range(2 * EXTRA_BITS + 1)
        for end in range(max(begin + 1, count), count + 2 * EXTRA_BITS + 1)
    )
    kept = slice(begin, end)
    return EvenFit(
        starts[kept],
        slot,
        (one[kept] > two[kept]).astype(np.int64),
        np.abs(one[kept] - two[kept]),
        float(total[count + EXTRA_BITS] - total[EXTRA_BITS]),
    )


def _margins(cells: Cells, sequence: BitSequence, estimate: Estimate) -> Reals:
    """How much likelier each bit is than the other, at its place in a sequence of uneven slots."""
    bounds = np.append(sequence.starts, sequence.starts[-1] + 3 * sequence.slot)
    each = np.diff(bounds) / 3
    slots = np.clip(each, 0.8 * sequence.slot, 1.2 * sequence.slot).astype(np.float64)
    one, two = _weigh(cells, sequence.starts, slots, estimate)
    own = np.where(sequence.bits == 1, one - two, two - one)
    margins: Reals = np.maximum(own, 0.0)
    return margins
