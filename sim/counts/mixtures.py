"""Curves and noises that the same peaks may have come from, blended by how probable each is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.counts.curve import Curve
from sim.counts.fit import Fit, evidence_of

Array = NDArray[np.float64]

NOTHING = 1e-4  # a share that moves no edge of a band
HALVINGS = 26  # of the span that a quantile is sought in: below a thousandth of a count


@dataclass(frozen=True, slots=True)
class Blend:
    """The fits of several curves and noises to the same peaks, each with its probability."""

    fits: tuple[Fit, ...]
    shares: tuple[float, ...]

    def share_of(self, curve: Curve) -> float:
        return math.fsum(s for f, s in zip(self.fits, self.shares, strict=True) if f.curve is curve)

    def likeliest(self, curve: Curve | None = None) -> Fit:
        """The most probable fit of a curve, or of the most probable curve."""
        if curve is None:
            curve = max((fit.curve for fit in self.fits), key=self.share_of)
        mine = [pair for pair in zip(self.shares, self.fits, strict=True) if pair[1].curve is curve]
        return max(mine, key=lambda pair: pair[0])[1]

    def band(self, hours_deg: Sequence[float]) -> tuple[Array, Array, Array]:
        """Median counts at hour angles with the lower and upper edge of their 95 % band."""
        parts = [
            (share, *fit.predict(hours_deg))
            for fit, share in zip(self.fits, self.shares, strict=True)
            if share > NOTHING
        ]
        shares = np.array([share for share, _, _ in parts])[:, None]
        middles = np.array([counts for _, counts, _ in parts])
        sds = np.array([sd for _, _, sd in parts])
        low, middle, high = (
            _quantile(q, middles, sds, shares / shares.sum()) for q in (0.025, 0.5, 0.975)
        )
        return middle, low, high


def blend_of(fits: Sequence[tuple[Fit, float]]) -> Blend:
    """Fits to the same peaks, with the logs of their odds beforehand, by how probable they are."""
    logs = [log_odds + evidence_of(fit) for fit, log_odds in fits]
    parts = [math.exp(log - max(logs)) for log in logs]
    return Blend(tuple(fit for fit, _ in fits), tuple(part / math.fsum(parts) for part in parts))


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
