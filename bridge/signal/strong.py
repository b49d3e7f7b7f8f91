"""Clear tone -> marks: where the envelope of a part passes half of its level.

The samples are mixed down by the carrier and smoothed over two of its cycles with a raised cosine
that is blind to the supply and its slope. What is close to the bounds of a slot is measured again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import Baseband, Signal, downconvert, estimate_carrier, quantile
from bridge.signal.level import is_pure_tone, measure_level_vpp, tone_samples
from bridge.signal.refine import refine

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]

SEEK_HZ = (14e3, 32e3)  # Hz, where a clear carrier is looked for; judgement
SEEK_ROWS = 24  # ms of a clear segment that are enough to find it; judgement
LEAST_VPP = 0.1  # V peak to peak: a third of what a device must detect (standard); judgement
UPPER_SHARE, LOWER_SHARE = 0.6, 0.4  # of the level: tone begins above, ends below; judgement
PAD_S = 1e-3  # s of quiet taken along on either side of a part; judgement
LEAST_COHERENCE = 0.7  # over two cycles, 1 for a tone; below it is a click; judgement
DOUBT_S = 0.01e-3  # s within the bounds of a slot, where it is measured again; judgement
NEAR_HZ = 400.0  # Hz, a carrier found this near needs no second pass; judgement


@dataclass(frozen=True, slots=True)
class MeasuredTone:
    """The tone in a part: its samples and baseband, its level and carrier.

    `level` is the amplitude in the unit of the samples; `coherence` is 1 for a steady tone and
    0 for a click.
    """

    signal: Signal
    base: Baseband
    level: float
    carrier_hz: float
    coherence: float

    def is_tone(self, *, volts: bool) -> bool:
        """Whether this is a tone at all, and in volts one that a device might detect."""
        is_click = self.coherence < LEAST_COHERENCE
        return not (is_click or (volts and 2 * self.level < LEAST_VPP))

    def marks(self, *, volts: bool) -> list[Mark]:
        """The marks of a clear tone; none if its spectrum is no tone's."""
        base, signal = self.base, self.signal
        spans = _find_crossings(base.envelope, self.level)
        tones = tone_samples(signal, base, spans)
        if not is_pure_tone(tones, self.level, signal.deviation):
            return []
        level_vpp, level_span = None, (1.0, 1.0)
        if volts:
            level_vpp, level_span = measure_level_vpp(tones, signal, self.carrier_hz, self.level)
        marks = [
            Mark(
                base.start_s + on * base.step_s,
                base.start_s + off * base.step_s,
                carrier_hz=self.carrier_hz,
                level_vpp=level_vpp,
                level_span=level_span,
            )
            for on, off in spans
        ]
        return refine(signal, marks, self.carrier_hz, DOUBT_S + 1 / signal.rate_hz)


def measure_tone(signal: Signal, base: Baseband, first: int, end: int) -> MeasuredTone:
    """The tone between two points of the baseband, at a level and carrier of its own."""
    pad = round(PAD_S / base.step_s)
    span = slice(max(0, first - pad), end + pad)
    part = cut_points(signal, base, span.start, span.stop)
    around = replace(
        base,
        points=base.points[span],
        envelope=base.envelope[span],
        start_s=base.start_s + span.start * base.step_s,
    )
    level, carrier_hz, coherence = _measure(around)
    if abs(carrier_hz - base.carrier_hz) > NEAR_HZ:
        around = downconvert(part, estimate_carrier(part, SEEK_HZ, SEEK_ROWS))
        level, carrier_hz, coherence = _measure(around)
    return MeasuredTone(part, around, level, carrier_hz, coherence)


def cut_points(signal: Signal, base: Baseband, first: int, end: int) -> Signal:
    """The samples under points `first` to `end` of their baseband."""
    hop = round(base.step_s * signal.rate_hz)
    return replace(
        signal,
        samples=signal.samples[first * hop : end * hop],
        start_s=signal.start_s + first * hop / signal.rate_hz,
    )


def _measure(base: Baseband) -> tuple[float, float, float]:
    """(level, carrier in Hz, coherence) of the tone in these points."""
    lag = max(1, round(2 / base.carrier_hz / base.step_s))
    peak = float(base.envelope.max())
    tone = base.envelope > peak / 2
    inside = tone[lag:-lag] & tone[: -2 * lag] & tone[2 * lag :]
    if not inside.any():
        return peak, base.carrier_hz, 0.0
    level = quantile(base.envelope[lag:-lag][inside], 0.5)
    before, here = base.points[: -2 * lag][inside], base.points[lag:-lag][inside]
    turn = np.vdot(before, here)
    sizes = np.sqrt(np.vdot(before, before).real) * np.sqrt(np.vdot(here, here).real)
    coherence = float(np.abs(turn) / sizes)
    shift_hz = float(np.angle(turn)) / (2 * np.pi * lag * base.step_s)
    return level, base.carrier_hz + shift_hz, coherence


def _find_crossings(envelope: Reals, level: float) -> list[tuple[float, float]]:
    """(on, off) in fractions of points, where the envelope passes half of the level.

    A tone begins where it passes from below LOWER_SHARE to above UPPER_SHARE of the level,
    whatever lies between.
    """
    known = np.flatnonzero((envelope > UPPER_SHARE * level) | (envelope < LOWER_SHARE * level))
    if not len(known):
        return []
    high = envelope[known] > level / 2
    turns = np.flatnonzero(high[1:] != high[:-1]) + 1
    half = level / 2
    above = envelope > half
    # The crossing: the last point below half before a tone, the last above it before quiet.
    crossed = np.flatnonzero(above[1:] != above[:-1])
    last = np.searchsorted(crossed, known[turns], side="left") - 1
    before = crossed[last] if len(turns) else crossed[:0]
    places = before + (envelope[before] - half) / (envelope[before] - envelope[before + 1])
    ends = places.tolist()
    if high[0]:
        ends.insert(0, 0.0)
    if len(ends) % 2:
        ends.append(float(len(envelope) - 1))
    return list(zip(ends[::2], ends[1::2], strict=True))
