"""Kinds of drive that the same peaks may belong to, blended by how probable the peaks make each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.plan.curve import bare_curves
from sim.plan.fit import Fit, Peak, cost_of, fit_peaks, student_975

Array = NDArray[np.float64]

KIND_ODDS = (0.8, 0.15, 0.05)  # an actuator, a worm, something else, before looking; judgement
HALVINGS = 50  # of the span that a quantile is sought in: far below a thousandth of a count


@dataclass(frozen=True, slots=True)
class Blend:
    """The fits of several curves to the same peaks, each with its probability."""

    fits: tuple[Fit, ...]
    shares: tuple[float, ...]

    @property
    def likeliest(self) -> tuple[Fit, float]:
        return max(zip(self.fits, self.shares, strict=True), key=lambda pair: pair[1])

    def band(self, hours_deg: Sequence[float]) -> tuple[Array, Array, Array]:
        """Median counts at hour angles with the lower and upper edge of their 95 % band."""
        edges = [fit.predict(hours_deg) for fit in self.fits]
        middles = np.array([counts for counts, _ in edges])
        sds = np.array(
            [
                sd * student_975(fit.freedom) / student_975(math.inf)
                for fit, (_, sd) in zip(self.fits, edges, strict=True)
            ]
        )
        shares = np.array(self.shares)[:, None]
        low, middle, high = (_quantile(q, middles, sds, shares) for q in (0.025, 0.5, 0.975))
        return middle, low, high


def blend_of(peaks: Sequence[Peak]) -> Blend:
    """What peaks say of a drive that nobody measured."""
    fits = tuple(fit_peaks(curve, peaks) for curve in bare_curves())
    logs = [
        math.log(odds) - 0.5 * cost_of(fit) + 0.5 * float(np.linalg.slogdet(fit.spread)[1])
        for odds, fit in zip(KIND_ODDS, fits, strict=True)
    ]
    parts = [math.exp(log - max(logs)) for log in logs]
    return Blend(fits, tuple(part / math.fsum(parts) for part in parts))


def band_of(fit: Fit, hours_deg: Sequence[float]) -> tuple[Array, Array, Array]:
    """Counts and the 95 % band of a fit, or of all that its peaks may be where it is undecided."""
    if fit.curve.kind == "smooth":
        return blend_of(fit.peaks).band(hours_deg)
    return fit.band(hours_deg)


def _quantile(share: float, middles: Array, sds: Array, shares: Array) -> Array:
    """Where a sum of normal densities (m, n), weighed by (m, 1), has a share of itself below."""
    low, high = (middles - 8.0 * sds).min(axis=0), (middles + 8.0 * sds).max(axis=0)
    for _ in range(HALVINGS):
        at = (low + high) / 2.0
        below = (shares * _normal(np.asarray((at - middles) / sds))).sum(axis=0)
        low, high = np.where(below < share, at, low), np.where(below < share, high, at)
    return np.asarray((low + high) / 2.0, dtype=np.float64)


def _normal(x: Array) -> Array:
    """Share of the standard normal density below x."""
    return np.asarray(
        [[0.5 * math.erfc(-v / math.sqrt(2.0)) for v in row] for row in x.tolist()], np.float64
    )
