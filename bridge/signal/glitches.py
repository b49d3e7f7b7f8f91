"""Glitches that are no tone: single wild samples, and the last digit of a converter.

Spikes: at the rates of sound cards one spark or switching transient weighs as much as a cycle of
tone. Tone fills some percent of any segment that holds a message. So a sample that stands far
above all but one percent of the samples, alone or beside one other, is no tone.

Converter flicker: where the noise lies far below one step of the converter, samples stand still
until the baseline crosses from one step to the next, and toggle there for some milliseconds.
Against the dead quiet around it that is loud. But it is spread over all frequencies, and a tone
has one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus import standard as std

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]

SPIKE_ROW_S = 8 / std.CARRIER_HZ  # s, eight cycles: their median is the supply (judgement)
SPIKELESS_HZ = 400e3  # samples a second from which one weighs little in two cycles (judgement)
TONE_HEIGHT_SHARE = 0.99  # of the samples, that lie below the height of tone or noise (judgement)
SPIKE_RATIO = 1.6  # times that height; 4 deviations of white noise (judgement)
LONGEST_SPIKE = 2  # samples in a row; more are a step of the supply, or tone (judgement)

FLICKER_ROW_S = 2 / std.CARRIER_HZ  # s, two cycles: a tone shows, a slope hardly (judgement)
MOST_STEPS = 2.5  # smallest moves, most swing of any row (judgement)
USUAL_STEPS, USUAL_SHARE = 1.5, 0.9  # most swing of this share of the rows that move (judgement)
FEW_ROWS = 16  # in the middle, that often suffice: longer than any quiet in a message (judgement)
BAND_HZ = (16.5e3, 27.5e3)  # Hz, a carrier in its tolerance and 1.1 kHz of keying (judgement)
SLOW_HZ = 5e3  # Hz, below lies the movement of the baseline (judgement)
TONE_SHARE = (
    0.6  # of the power above SLOW_HZ in the band, of a tone; white noise 0.2-0.4 (judgement)
)


def remove_spikes(samples: Floats, rate_hz: float) -> Floats:
    """The samples, with single ones that stand far above the rest replaced.

    Tone would be opposite to the samples half a cycle before and after: so are they then. The
    very same array comes back where nothing was replaced.

    >>> quiet = np.zeros(200, np.float32)
    >>> struck = quiet + np.where(np.arange(200) == 70, np.float32(1), np.float32(0))
    >>> bool((remove_spikes(struck, 96e3) == quiet).all())
    True
    """
    row = round(rate_hz * SPIKE_ROW_S)
    whole = len(samples) // row * row if rate_hz < SPIKELESS_HZ and row else 0
    if not whole:
        return samples
    rows = samples[:whole].reshape(-1, row)
    supply = np.partition(rows, row // 2, axis=1)[:, row // 2]
    height = np.abs(rows - supply[:, None]).ravel()
    rank = int(TONE_HEIGHT_SHARE * (whole - 1))
    high = np.flatnonzero(height > SPIKE_RATIO * np.partition(height, rank)[rank])
    if not len(high):
        return samples
    borders = np.flatnonzero(np.diff(high) > 1) + 1
    runs = np.split(high, borders)
    struck = np.concatenate([run for run in runs if len(run) <= LONGEST_SPIKE] or [high[:0]])
    rest = (rows - supply[:, None]).ravel()
    rest[struck] = 0.0
    half = max(1, round(rate_hz / (2 * std.CARRIER_HZ)))  # samples in half a cycle
    before, after = np.maximum(struck - half, 0), np.minimum(struck + half, whole - 1)
    cleared = samples.copy()
    cleared[struck] = supply[struck // row] - (rest[before] + rest[after]) / 2
    return cleared


def is_converter_flicker(samples: NDArray[Any], rate_hz: float) -> bool:
    """Whether samples only toggle between neighbouring levels of a converter, and make no tone.

    >>> toggling = np.random.default_rng(1).integers(0, 2, 1000)
    >>> is_converter_flicker(toggling, 96e3), is_converter_flicker(np.arange(1000) // 2 % 2, 88e3)
    (True, False)
    """
    row = max(2, round(rate_hz * FLICKER_ROW_S))
    whole = len(samples) // row * row
    if not whole:
        return False
    middle = whole // row // 2 * row
    if _most_steps(samples[middle : min(middle + FEW_ROWS * row, whole)], row) > MOST_STEPS:
        return False  # and so it is over the whole, whose smallest move is no larger
    rows = samples[:whole].reshape(-1, row)
    swings = rows.max(axis=1).astype(np.float64) - rows.min(axis=1)
    moving = swings[swings > 0]
    if not len(moving):
        return True
    if moving.max() > MOST_STEPS * moving.min():
        return False  # a step is no more than the smallest swing
    moves = np.abs(np.diff(samples.astype(np.float64)))
    steps = moving / moves[moves > 0].min()
    if steps.max() > MOST_STEPS or np.mean(steps < USUAL_STEPS) < USUAL_SHARE:
        return False
    power = np.abs(np.fft.rfft(samples - samples.mean(dtype=np.float64))) ** 2
    at_hz = np.fft.rfftfreq(len(samples), 1 / rate_hz)
    fast = float(power[at_hz > SLOW_HZ].sum())
    in_band = float(power[(at_hz > BAND_HZ[0]) & (at_hz < BAND_HZ[1])].sum())
    return in_band < TONE_SHARE * fast


def _most_steps(samples: NDArray[Any], row: int) -> float:
    """The highest swing of a row, in smallest moves of these samples."""
    rows = samples.reshape(-1, row).astype(np.float64)
    moves = np.abs(np.diff(rows, axis=1))
    moves = moves[moves > 0]
    return float(np.ptp(rows, axis=1).max() / moves.min()) if len(moves) else 0.0
