"""The last digit of a converter that flickers on a quiet line: no tone, though nothing is quieter.

Where the noise lies far below one step of the converter, samples stand still until the baseline
crosses from one step to the next, and toggle there for some milliseconds. Against the dead quiet
around it that is loud; but it is spread over all frequencies, where a tone has one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus import standard as std

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROW_S = 2 / std.CARRIER_HZ  # s, two cycles: a tone shows its height in them, a slope does not
MOST_STEPS, USUAL_STEPS = 2.5, 1.5  # between the highest and the lowest sample of a row: in any,
USUAL_SHARE = 0.9  # and in this share of those that move at all; a step is the smallest move
FEW_ROWS = 16  # in the middle, that most often tell already: longer than any quiet in a message
BAND_HZ = (16.5e3, 27.5e3)  # Hz, a carrier in its tolerance and what keying spreads it to
SLOW_HZ = 5e3  # Hz, below lies the baseline's own movement
TONE_SHARE = 0.6  # of the power above SLOW_HZ that a tone has in the band: white noise 0.2-0.4


def is_flicker(samples: NDArray[Any], rate_hz: float) -> bool:
    """Tell whether samples only toggle between neighbouring levels, and make no tone.

    >>> toggling = np.random.default_rng(1).integers(0, 2, 1000)
    >>> is_flicker(toggling, 96e3), is_flicker(np.arange(1000) // 2 % 2, 88e3)
    (True, False)
    """
    row = max(2, round(rate_hz * ROW_S))
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
