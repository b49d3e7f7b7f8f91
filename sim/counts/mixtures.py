"""Curves and noises that the same peaks may have come from, mixed by how probable each is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.counts.curve import Curve
from sim.counts.fit import Fit, log_evidence
from sim.counts.normal import share_below

Array = NDArray[np.float64]

BAND = (0.025, 0.5, 0.975)  # 1, quantiles at the edges and the middle of a 95 % band (judgement)
NEGLIGIBLE = 1e-4  # 1, weight of a component that moves no edge of a band; judgement
BRACKET_SD = 8.0  # deviations from a component's middle beyond which nothing of it lies; judgement
BISECTIONS = 26  # of the bracket of a quantile: below a thousandth of a count; computed


@dataclass(frozen=True, slots=True)
class Mixture:
    """The fits of several curves and noises to the same peaks, each with its probability."""

    fits: tuple[Fit, ...]
    weights: tuple[float, ...]

    def weight_of(self, curve: Curve) -> float:
        """Probability of a curve, at whatever noise."""
        pairs = zip(self.fits, self.weights, strict=True)
        return math.fsum(weight for fit, weight in pairs if fit.curve is curve)

    def likeliest(self, curve: Curve | None = None) -> Fit:
        """The most probable fit of a curve, or of the most probable curve."""
        if curve is None:
            curve = max((fit.curve for fit in self.fits), key=self.weight_of)
        pairs = zip(self.weights, self.fits, strict=True)
        return max((p for p in pairs if p[1].curve is curve), key=lambda pair: pair[0])[1]

    def band(self, hours_deg: Sequence[float]) -> tuple[Array, Array, Array]:
        """Median counts (n,) at hour angles with the lower and upper edge of their 95 % band."""
        parts = [
            (weight, *fit.predict(hours_deg))
            for fit, weight in zip(self.fits, self.weights, strict=True)
            if weight > NEGLIGIBLE
        ]
        weights = np.array([weight for weight, _, _ in parts])[:, None]
        middles = np.array([counts for _, counts, _ in parts])
        sds = np.array([sd for _, _, sd in parts])
        low, middle, high = (_quantile(q, middles, sds, weights / weights.sum()) for q in BAND)
        return middle, low, high


def mixture_of(fits: Sequence[tuple[Fit, float]]) -> Mixture:
    """Fits to the same peaks, given with the logs of their odds, by how probable they are."""
    logs = [log_odds + log_evidence(fit) for fit, log_odds in fits]
    parts = [math.exp(log - max(logs)) for log in logs]
    return Mixture(tuple(fit for fit, _ in fits), tuple(part / math.fsum(parts) for part in parts))


def _quantile(share: float, middles: Array, sds: Array, weights: Array) -> Array:
    """Where a sum of normal densities (m, n), weighted by (m, 1), has a share of itself below."""
    low = (middles - BRACKET_SD * sds).min(axis=0)
    high = (middles + BRACKET_SD * sds).max(axis=0)
    for _ in range(BISECTIONS):
        at = (low + high) / 2.0
        below = (weights * share_below(np.asarray((at - middles) / sds))).sum(axis=0)
        low, high = np.where(below < share, at, low), np.where(below < share, high, at)
    return np.asarray((low + high) / 2.0, dtype=np.float64)
