"""The level of a tone peak to peak, and whether it is a tone: from the samples inside its marks.

Noise hides the shape of a carrier, and slow sampling its harmonics. The level is given as a range
within what the shape leaves open.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.signal.correlator import LEAST_PURITY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.signal.baseband import Baseband, Signal

TONES = 6  # tones that are measured (judgement)
EDGE_S = 60e-6  # s at either end of a tone that the smoothing touches: over a cycle (judgement)
RAW_NOISE = 0.08  # of the level: noise of a sample below which extremes are used (judgement)
EXTREMES = (0.015, 0.985)  # shares of the samples below what counts as extremes (judgement)
SINE_LIKE = 1.15  # of a sine's height, most without even harmonics (judgement)
SQUARE_LIKE = 0.965  # of a sine's height, most of a square of any harmonics (judgement)
LEAST_SQUARE = 0.83  # of its swing, height of a square of which three harmonics are left (computed)


def tone_samples(
    part: Signal, base: Baseband, spans: Sequence[tuple[float, float]]
) -> list[NDArray[np.float64]]:
    """Samples inside the first tones, a slot at most of each, sorted by value."""
    edge = EDGE_S / base.step_s
    hop = round(base.step_s * part.rate_hz)
    longest = round(std.SLOT_S * part.rate_hz)
    tones = []
    for on, off in spans[:TONES]:
        first, end = round((on + edge) * hop), round((off - edge) * hop)
        if end - first > 4:
            tones.append(
                np.sort(part.samples[first : min(end, first + longest)].astype(np.float64))
            )
    return tones


def is_pure_tone(tones: Sequence[NDArray[np.float64]], level: float, deviation: float) -> bool:
    """Whether a tone of this level makes up enough of the power, unlike in a sound or step."""
    powers = sorted(
        float(tone @ tone) / len(tone) - (tone.sum() / len(tone)) ** 2 for tone in tones
    )
    if not powers:
        return True
    return bool(level**2 / 2 > LEAST_PURITY * (powers[len(powers) // 2] - deviation**2))


def measure_level_vpp(
    tones: Sequence[NDArray[np.float64]], part: Signal, carrier_hz: float, level: float
) -> tuple[float, tuple[float, float]]:
    """(level in V peak to peak, least and most factor of it that the carrier's shape allows).

    The level is that of the samples where noise and sampling show their extremes, else of a sine
    of this amplitude: a square is lower by pi / 4, a triangle higher by pi^2 / 8, a saw tooth
    by pi / 2 (computed).
    """
    harmonics = part.rate_hz / 2 / carrier_hz
    if not tones or part.deviation > RAW_NOISE * level or harmonics < 2:
        return 2 * level, (np.pi / 4, np.pi / 2)
    heights = sorted(_height(tone) for tone in tones)
    seen_vpp = heights[len(heights) // 2]
    off = 1.5 * _step_of(tones[0]) / seen_vpp
    if harmonics < 3:  # the second harmonic is seen and shows a saw tooth; the third is not
        tooth = seen_vpp > SINE_LIKE * 2 * level
        return 2 * level, (np.pi / 4, (np.pi / 2 if tooth else np.pi**2 / 8) + off)
    # Noise rides on the top of a square; one of few harmonics swings beyond its height besides.
    lifted = 4 * part.deviation / seen_vpp
    least = 1.0 if seen_vpp > (SQUARE_LIKE + lifted) * 2 * level else LEAST_SQUARE
    return seen_vpp, (max(0.0, least - lifted - off), 1 + off)


def _height(ranked: NDArray[np.float64]) -> float:
    ends = []
    for share in EXTREMES:
        place = share * (len(ranked) - 1)
        low = int(place)
        high = min(low + 1, len(ranked) - 1)
        ends.append(float(ranked[low] + (place - low) * (ranked[high] - ranked[low])))
    return max(ends[1] - ends[0], 1e-12)


def _step_of(ranked: NDArray[np.float64]) -> float:
    """The step between values of coarse samples; 0 for fine ones."""
    steps = np.diff(ranked)
    steps = steps[steps > 0]
    return float(steps.min()) if 0 < len(steps) < len(ranked) / 2 else 0.0
