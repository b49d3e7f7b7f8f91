"""The log likelihood of tone of unknown phase: the logarithm of the Bessel function I0."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]

TABLE_STEP, TABLE_END = 0.02, 60.0  # of the table of log I0: exact to 1e-4 (tested)


@lru_cache(maxsize=1)
def _bessel_table() -> tuple[Reals, Reals]:
    """log I0(x) - x at steps of x, and what it gains to the next."""
    x = np.arange(round(TABLE_END / TABLE_STEP) + 2) * TABLE_STEP
    rest = np.log(np.i0(x)) - x
    return rest[:-1], np.diff(rest)


def log_i0(x: Reals) -> Reals:
    """log I0(x) of the modified Bessel function for x >= 0, to 1e-4.

    >>> np.round(log_i0(np.array([0.0, 1.0, 30.0, 500.0])), 4).tolist()
    [0.0, 0.2359, 27.3847, 495.974]
    """
    rest, gain = _bessel_table()
    place = np.minimum(x, TABLE_END) * (1 / TABLE_STEP)
    step = place.astype(np.int64)
    place -= step
    value: Reals = rest[step]
    value += place * gain[step]
    value += x
    if np.any(beyond := x > TABLE_END):
        far = x[beyond]
        value[beyond] = far - 0.5 * np.log(2 * np.pi * far) + 1 / (8 * far)
    return value
