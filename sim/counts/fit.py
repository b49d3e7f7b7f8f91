"""The curve through taught counts, with the tape measure as prior knowledge.

The most probable unknowns (maximum a posteriori) by Gauss-Newton steps; Huber's loss limits the
pull of peaks far off. The covariance is the posterior's, so unknowns that the peaks do not
determine stay as uncertain as they were measured.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from bridge.errors import BadInput
from sim.counts.curve import Curve

Array = NDArray[np.float64]

NOISE_SD = 1.0  # counts, a peak found on a meter and shown in whole counts; common practice
HUBER = 3.0  # deviations of the noise beyond which a peak pulls no harder; judgement
DETERMINED = 1.0  # 1, information from the peaks over that of the tape measure; by definition
MAX_STEPS = 60  # Gauss-Newton steps at most; a handful is usual; judgement
CONVERGED = 1e-8  # prior deviations, a step not worth taking: 1e-5 counts of offset; computed
SHORTEST = 1e-6  # 1, share of a step under which no descent is left; judgement


@dataclass(frozen=True, slots=True)
class Peak:
    """A taught satellite: where it stands along the arc and the count it was peaked at."""

    number: int
    hour_angle_deg: float
    count: float
    peaked: date | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """The most probable unknowns of a curve, and what the peaks leave uncertain of them."""

    curve: Curve
    peaks: tuple[Peak, ...]
    z: Array = field(repr=False)  # (k,) unknowns in prior deviations
    covariance: Array = field(repr=False)  # (k, k) of z, after the peaks
    noise_sd: float  # counts, of each peak
    determined: tuple[str, ...]  # unknowns of which the peaks tell more than the file

    @property
    def residuals(self) -> Array:
        """Taught minus fitted counts, (n,)."""
        hours, counts = _columns(self.peaks)
        return np.asarray(counts - self.curve.counts(self.z, hours), dtype=np.float64)

    @property
    def rms(self) -> float:
        """Root mean square of the residuals in counts; 0 without peaks."""
        residuals = self.residuals
        return float(np.sqrt(np.mean(residuals**2))) if len(residuals) else 0.0

    def predict(self, hours_deg: Sequence[float]) -> tuple[Array, Array]:
        """Counts (n,) and their standard deviations (n,) at hour angles."""
        hours = np.asarray(hours_deg, dtype=np.float64)
        slopes = self.curve.slopes(self.z, hours)
        variance = np.einsum("nk,kl,nl->n", slopes, self.covariance, slopes)
        return self.curve.counts(self.z, hours), np.sqrt(np.maximum(variance, 0.0))

    def counts_per_deg(self, hour_angle_deg: float) -> float:
        """Slope of the fitted curve at an hour angle."""
        ends = self.curve.counts(self.z, np.array([hour_angle_deg - 0.05, hour_angle_deg + 0.05]))
        return float((ends[1] - ends[0]) / 0.1)


def fit_peaks(
    curve: Curve,
    peaks: Sequence[Peak],
    *,
    noise_sd: float = NOISE_SD,
    start: Array | None = None,
    robust: bool = True,
) -> Fit:
    """The curve through the peaks that the prior knowledge makes most probable.

    `start` (k,) is where the search begins, in prior deviations; `robust` limits the pull of peaks
    far off. BadInput where no finite unknowns fit.
    """
    hours, counts = _columns(peaks)
    k = len(curve.unknowns)
    problem = _Problem(curve, hours, counts, noise_sd, robust)
    z = np.zeros(k) if start is None else start
    cost = problem.cost(z)
    for _ in range(MAX_STEPS):
        slopes, residuals, weights = problem.linearize(z)
        normal = np.eye(k) + slopes.T @ (weights[:, None] * slopes)
        step = np.linalg.solve(normal, slopes.T @ (weights * residuals) - z)
        share = 1.0
        while (trial := problem.cost(z + share * step)) > cost:
            share /= 2.0
            if share < SHORTEST:
                break
        if share < SHORTEST:
            break
        z, cost = z + share * step, trial
        if float(np.abs(step).max()) < CONVERGED:
            break
    if not np.all(np.isfinite(z)):
        raise BadInput("the taught counts fit no dish; check counts and longitudes")
    slopes, _, weights = problem.linearize(z)
    covariance: Array = np.asarray(
        np.linalg.inv(np.eye(k) + slopes.T @ (weights[:, None] * slopes)), dtype=np.float64
    )
    return Fit(curve, tuple(peaks), z, covariance, noise_sd, _determined(curve, slopes))


@dataclass(frozen=True, slots=True)
class _Problem:
    """Peaks to be fitted: the cost to be least, and its weighted least squares about a point."""

    curve: Curve
    hours: Array
    counts: Array
    noise_sd: float
    robust: bool

    def _residuals(self, z: Array) -> Array:
        """Taught minus fitted counts (n,) in deviations of the noise."""
        residuals = self.counts - self.curve.counts(z, self.hours)
        return np.asarray(residuals / self.noise_sd, dtype=np.float64)

    def cost(self, z: Array) -> float:
        """Minus twice the log of how probable peaks and unknowns are together, but a constant."""
        size = np.abs(self._residuals(z))
        loss = size * size
        if self.robust:
            loss = np.where(size <= HUBER, loss, 2.0 * HUBER * size - HUBER**2)
        return float(loss.sum() + z @ z)

    def linearize(self, z: Array) -> tuple[Array, Array, Array]:
        """Slopes (n, k) and residuals (n,) in deviations of the noise, and Huber's weights (n,)."""
        residuals = self._residuals(z)
        weights = np.ones_like(residuals)
        if self.robust:
            weights = HUBER / np.maximum(np.abs(residuals), HUBER)
        return self.curve.slopes(z, self.hours) / self.noise_sd, residuals, np.asarray(weights)


def robust_cost(fit: Fit) -> float:
    """Minus twice the log of how probable peaks and unknowns are together, by Huber's loss."""
    return _Problem(fit.curve, *_columns(fit.peaks), fit.noise_sd, True).cost(fit.z)


def log_evidence(fit: Fit) -> float:
    """Log of how probable curve and noise make the peaks, all unknowns averaged over (Laplace)."""
    _, log_size = np.linalg.slogdet(fit.covariance)
    return 0.5 * float(log_size) - 0.5 * robust_cost(fit) - len(fit.peaks) * math.log(fit.noise_sd)


def residual_without(fit: Fit, at: int) -> tuple[float, float]:
    """A peak against what the others alone predict: its residual and that residual's deviation.

    `at` is the peak's index among those of the fit.
    """
    others = fit.peaks[:at] + fit.peaks[at + 1 :]
    alone = fit_peaks(fit.curve, others, noise_sd=fit.noise_sd)
    counts, sd = alone.predict([fit.peaks[at].hour_angle_deg])
    return fit.peaks[at].count - float(counts[0]), math.hypot(float(sd[0]), fit.noise_sd)


def _columns(peaks: Sequence[Peak]) -> tuple[Array, Array]:
    return (
        np.array([peak.hour_angle_deg for peak in peaks], dtype=np.float64),
        np.array([peak.count for peak in peaks], dtype=np.float64),
    )


def _determined(curve: Curve, slopes: Array) -> tuple[str, ...]:
    """Names of the unknowns of which the peaks tell more than the file, given those before them.

    Offset first, then scale, then whichever has the most left (a pivoted orthogonalisation).
    """
    left = slopes.copy()
    order: list[int] = []
    while len(order) < min(slopes.shape):
        sizes = np.sqrt((left * left).sum(axis=0))
        sizes[order] = 0.0
        at = len(order)  # offset and scale have their turn first
        if at >= 2 or sizes[at] <= DETERMINED:
            at = int(sizes.argmax())
        if sizes[at] <= DETERMINED:
            break
        axis = left[:, at] / sizes[at]
        left = left - np.outer(axis, axis @ left)
        order.append(at)
    return tuple(curve.unknowns[at].name for at in order)
