"""Estimates of a weak tone: its carrier and level, and the deviation of the noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bridge.bus import standard as std
from bridge.signal.baseband import Signal, downconvert, estimate_carrier, moving_average, quantile
from bridge.signal.weak.sequence import BitSequence, Cells

SEEK_HZ = (17e3, 27e3)  # Hz, the band of the standard and some room (judgement)
AVERAGE_S = 0.7 * std.SLOT_S  # s over which power is averaged to estimate a level (judgement)
USUAL_SHARE = 0.9  # of a segment stays below the power of its tone, some tenth is tone (judgement)
FEWEST_CELLS = 60  # cells of quiet from which the noise is measured (judgement)
MOST_CHANGE = 1.6  # most factor between two estimates of the noise (judgement)
MOVED_HZ, MOVED = 60.0, 0.12  # change of carrier in Hz, and of level or noise as a share, from
# which the search is repeated (judgement)


@dataclass(frozen=True, slots=True)
class Estimate:
    """Carrier in Hz of a tone, its level and the deviation of a sample in the samples' unit."""

    carrier_hz: float
    level: float
    deviation: float

    def weights(self, cells: Cells) -> tuple[float, float]:
        """(factor of |z| in the argument of I0, weight of a cell)."""
        factor = self.level / self.deviation**2
        return factor, self.level**2 * cells.count / (4 * self.deviation**2)


def first_estimate(signal: Signal) -> Estimate:
    """An estimate from the spectrum and the highest powers of a signal."""
    carrier_hz = estimate_carrier(signal, SEEK_HZ)
    base = downconvert(signal, carrier_hz)
    power = moving_average(np.square(base.envelope), round(AVERAGE_S / base.step_s))
    usual = quantile(power, USUAL_SHARE)
    level = np.sqrt(max(usual - 2 * base.noise**2, base.noise**2))
    return Estimate(carrier_hz, float(level), signal.deviation)


def measure(cells: Cells, sequence: BitSequence, estimate: Estimate) -> Estimate:
    """Level, noise and carrier measured from the tone and the quiet of a sequence."""
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
        deviation = float(np.clip(seen, deviation / MOST_CHANGE, MOST_CHANGE * deviation))
    energy = float(np.sum(np.square(np.abs(tone)) - count * deviation**2))
    level = 2 * np.sqrt(max(energy, 0.0) / float(np.sum(count**2)))
    middle = (sequence.starts + ends) / 2
    turn = np.vdot(cells.between(sequence.starts, middle), cells.between(middle, ends))
    apart_s = float(np.average(sequence.tones, weights=sequence.tones)) / 2 * cells.step_s
    shift_hz = float(np.angle(turn)) / (2 * np.pi * apart_s)
    return Estimate(estimate.carrier_hz + shift_hz, max(level, 1e-12), deviation)


def has_moved(before: Estimate, after: Estimate) -> bool:
    """Whether two estimates differ enough to repeat the search."""
    return (
        abs(after.carrier_hz - before.carrier_hz) > MOVED_HZ
        or abs(after.level / before.level - 1) > MOVED
        or abs(after.deviation / before.deviation - 1) > MOVED
    )
