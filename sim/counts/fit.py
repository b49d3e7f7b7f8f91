"""Counts of every satellite from the taught ones, with the tape measure as prior knowledge.

The most probable unknowns (maximum a posteriori) by Gauss-Newton steps; peaks far off are held
back by Huber's loss. The spread is the posterior's, so unknowns that the peaks cannot tell stay as
uncertain as they were measured: nothing is fitted that the peaks do not carry.
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
HUBER = 3.0  # noise deviations beyond which a peak pulls no harder; judgement
CARRIED = 1.0  # an unknown is carried where the peaks tell more of it than the tape measure
STEPS = 60  # Gauss-Newton steps at most; a handful is usual
NEAR = 1e-8  # prior deviations, a step not worth taking: 1e-5 counts of the offset


@dataclass(frozen=True, slots=True)
class Peak:
    """A taught satellite: where it stands along the arc and the count it was peaked at."""

    number: int
    hour_angle_deg: float
    count: float
    peaked: date | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """The most probable unknowns, and what the peaks leave uncertain of them."""

    curve: Curve
    peaks: tuple[Peak, ...]
    z: Array = field(repr=False)  # (k,) prior deviations
    spread: Array = field(repr=False)  # (k, k) posterior covariance of z
    noise_sd: float  # counts, of each peak
    carried: tuple[str, ...]  # unknowns that the peaks tell more of than the file does

    @property
    def residuals(self) -> Array:
        """Taught less fitted, in counts."""
        hours, counts = _columns(self.peaks)
        return np.asarray(counts - self.curve.counts(self.z, hours), dtype=np.float64)

    @property
    def rms(self) -> float:
        """Root mean square of the residuals in counts; 0 without peaks."""
        left = self.residuals
        return math.sqrt(float(left @ left) / len(left)) if len(left) else 0.0

    def predict(self, hours_deg: Sequence[float]) -> tuple[Array, Array]:
        """Counts and their standard deviations at hour angles."""
        hours = np.asarray(hours_deg, dtype=np.float64)
        slopes = self.curve.slopes(self.z, hours)
        share = np.einsum("nk,kl,nl->n", slopes, self.spread, slopes)
        return self.curve.counts(self.z, hours), np.sqrt(np.maximum(share, 0.0))

    def counts_per_deg(self, hour_angle_deg: float) -> float:
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
    """The curve through the peaks that the prior knowledge makes most probable."""
    hours, counts = _columns(peaks)
    k = len(curve.unknowns)
    problem = _Problem(curve, hours, counts, noise_sd, robust)
    z = np.zeros(k) if start is None else start
    cost = problem.cost(z)
    for _ in range(STEPS):
        slopes, left, weights = problem.linear(z)
        normal = np.eye(k) + slopes.T @ (weights[:, None] * slopes)
        step = np.linalg.solve(normal, slopes.T @ (weights * left) - z)
        share = 1.0
        while (trial := problem.cost(z + share * step)) > cost + 1e-12:
            share /= 2.0
            if share < 1e-6:
                break
        if share < 1e-6:
            break
        z, cost = z + share * step, trial
        if float(np.abs(step).max()) < NEAR:
            break
    if not np.all(np.isfinite(z)):
        raise BadInput("the taught counts fit no dish; check counts and longitudes")
    slopes, _, weights = problem.linear(z)
    spread: Array = np.asarray(
        np.linalg.inv(np.eye(k) + slopes.T @ (weights[:, None] * slopes)), dtype=np.float64
    )
    return Fit(curve, tuple(peaks), z, spread, noise_sd, _carried(curve, slopes))


@dataclass(frozen=True, slots=True)
class _Problem:
    """Peaks to be fitted: twice the log of improbability, and its weighted least squares."""

    curve: Curve
    hours: Array
    counts: Array
    noise_sd: float
    robust: bool

    def _left(self, z: Array) -> Array:
        left = self.counts - self.curve.counts(z, self.hours)
        return np.asarray(left / self.noise_sd, dtype=np.float64)

    def cost(self, z: Array) -> float:
        left = np.abs(self._left(z))
        loss = left * left
        if self.robust:
            loss = np.where(left <= HUBER, loss, 2.0 * HUBER * left - HUBER**2)
        return float(loss.sum() + z @ z)

    def linear(self, z: Array) -> tuple[Array, Array, Array]:
        """Slopes and what is left, both in deviations of the noise, and Huber's weights."""
        left = self._left(z)
        weights = HUBER / np.maximum(np.abs(left), HUBER) if self.robust else np.ones_like(left)
        return self.curve.slopes(z, self.hours) / self.noise_sd, left, np.asarray(weights)


def cost_of(fit: Fit) -> float:
    """Twice the log of how improbable the peaks and the unknowns make each other, robustly."""
    return _Problem(fit.curve, *_columns(fit.peaks), fit.noise_sd, True).cost(fit.z)


def evidence_of(fit: Fit) -> float:
    """Log of how probable curve and noise make the peaks, all unknowns averaged over (Laplace)."""
    _, log_size = np.linalg.slogdet(fit.spread)
    return 0.5 * float(log_size) - 0.5 * cost_of(fit) - len(fit.peaks) * math.log(fit.noise_sd)


def hold_back(fit: Fit, at: int) -> tuple[float, float]:
    """A peak against what the others alone predict: its residual and that residual's deviation."""
    others = fit.peaks[:at] + fit.peaks[at + 1 :]
    alone = fit_peaks(fit.curve, others, noise_sd=fit.noise_sd)
    counts, sd = alone.predict([fit.peaks[at].hour_angle_deg])
    return fit.peaks[at].count - float(counts[0]), math.hypot(float(sd[0]), fit.noise_sd)


def _columns(peaks: Sequence[Peak]) -> tuple[Array, Array]:
    return (
        np.array([peak.hour_angle_deg for peak in peaks], dtype=np.float64),
        np.array([peak.count for peak in peaks], dtype=np.float64),
    )


def _carried(curve: Curve, slopes: Array) -> tuple[str, ...]:
    """Names of the unknowns of which the peaks tell more than the file, given those before them.

    Offset first, then scale, then whichever has the most left (a pivoted orthogonalisation).
    """
    left = slopes.copy()
    order: list[int] = []
    while len(order) < min(slopes.shape):
        sizes = np.sqrt((left * left).sum(axis=0))
        sizes[order] = 0.0
        at = len(order) if len(order) < 2 else int(sizes.argmax())
        if sizes[at] <= CARRIED:
            if len(order) < 2:
                at = int(sizes.argmax())
            if sizes[at] <= CARRIED:
                break
        axis = left[:, at] / sizes[at]
        left = left - np.outer(axis, axis @ left)
        order.append(at)
    return tuple(curve.unknowns[at].name for at in order)
