"""Normal densities: one of several numbers together, and the share of one below a value."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_share_below = np.vectorize(NormalDist().cdf, otypes=[np.float64])


def log_density(residuals: Array, covariance: Array) -> float:
    """Log of the density of residuals (n,) about zero, less its constant n/2 log(2 pi).

    >>> round(log_density(np.array([2.0]), np.array([[4.0]])), 4)  # -1/2 - log 2
    -1.1931
    """
    _, log_size = np.linalg.slogdet(covariance)
    return float(-0.5 * (residuals @ np.linalg.solve(covariance, residuals) + log_size))


def share_below(deviations: Array) -> Array:
    """Share of the standard normal density below each value, of any shape.

    >>> share_below(np.array([-1.96, 0.0])).round(3)
    array([0.025, 0.5  ])
    """
    return np.asarray(_share_below(deviations), dtype=np.float64)
