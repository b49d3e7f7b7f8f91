"""Single samples far beyond anything around them: sparks and switching, taken out before hearing.

At the rates of sound cards one such sample weighs as much as a cycle of tone. Tone fills some
percent of any stretch that holds a message, so what stands far above all but one percent of the
samples, alone or in pairs, is no tone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]

ROW_S = 8 / std.CARRIER_HZ  # s, eight cycles: their median is the supply
SPIKELESS_HZ = 400e3  # samples a second from which one weighs little in two cycles
USUAL_SHARE = 0.99  # of the samples that lie below the height of tone, or of noise
TOO_HIGH = 1.6  # times that height; 4 deviations of white noise
LONGEST = 2  # samples in a row; more are a step of the supply, or tone


def without_spikes(samples: Floats, rate_hz: float) -> Floats:
    """The samples, with single ones that stand far above the rest put where tone would be.

    That is opposite to the samples half a cycle before and after.

    >>> quiet = np.zeros(200, np.float32)
    >>> struck = quiet + np.where(np.arange(200) == 70, np.float32(1), np.float32(0))
    >>> bool((without_spikes(struck, 96e3) == quiet).all())
    True
    """
    row = round(rate_hz * ROW_S)
    whole = len(samples) // row * row if rate_hz < SPIKELESS_HZ and row else 0
    if not whole:
        return samples
    rows = samples[:whole].reshape(-1, row)
    supply = np.partition(rows, row // 2, axis=1)[:, row // 2]
    height = np.abs(rows - supply[:, None]).ravel()
    rank = int(USUAL_SHARE * (whole - 1))
    high = np.flatnonzero(height > TOO_HIGH * np.partition(height, rank)[rank])
    if not len(high):
        return samples
    borders = np.flatnonzero(np.diff(high) > 1) + 1
    runs = np.split(high, borders)
    struck = np.concatenate([run for run in runs if len(run) <= LONGEST] or [high[:0]])
    rest = (rows - supply[:, None]).ravel()
    rest[struck] = 0.0
    half = max(1, round(rate_hz / (2 * std.CARRIER_HZ)))  # samples in half a cycle
    before, after = np.maximum(struck - half, 0), np.minimum(struck + half, whole - 1)
    cleared = samples.copy()
    cleared[struck] = supply[struck // row] - (rest[before] + rest[after]) / 2
    return cleared
