"""Counts of every satellite from the taught ones, with the tape measure as prior knowledge.

The most probable unknowns (maximum a posteriori) by Gauss-Newton steps; peaks far off are held
back by Huber's loss. The band is the posterior's, so unknowns that the peaks cannot tell stay as
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
from sim.plan.curve import Curve

Array = NDArray[np.float64]

NOISE_SD = 1.0  # counts, a peak found on a meter and shown in whole counts; common practice
HUBER = 3.0  # noise deviations beyond which a peak pulls no harder; judgement
BELIEF = 40  # peaks' worth of trust in that noise before the residuals change it; judgement
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
    spread: Array = field(repr=False)  # (k, k) posterior covariance of z at the assumed noise
    noise_sd: float  # counts, assumed noise widened by what the residuals say
    freedom: float  # degrees of freedom of that noise
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
        return self.curve.counts(self.z, hours), np.sqrt(np.maximum(share, 0.0)) * (
            self.noise_sd / NOISE_SD
        )

    def band(self, hours_deg: Sequence[float]) -> tuple[Array, Array, Array]:
        """Counts at hour angles with the lower and upper edge of their 95 % band."""
        counts, sd = self.predict(hours_deg)
        half = student_975(self.freedom) * sd
        return counts, counts - half, counts + half

    def counts_per_deg(self, hour_angle_deg: float) -> float:
        ends = self.curve.counts(self.z, np.array([hour_angle_deg - 0.05, hour_angle_deg + 0.05]))
        return float((ends[1] - ends[0]) / 0.1)


def fit_peaks(curve: Curve, peaks: Sequence[Peak], *, robust: bool = True) -> Fit:
    """The curve through the peaks that the prior knowledge makes most probable."""
    hours, counts = _columns(peaks)
    k = len(curve.unknowns)
    z = np.zeros(k)
    cost = _cost(curve, z, hours, counts, robust)
    for _ in range(STEPS):
        left = (counts - curve.counts(z, hours)) / NOISE_SD
        slopes = curve.slopes(z, hours) / NOISE_SD
        weights = _weights(left, robust)
        normal = np.eye(k) + slopes.T @ (weights[:, None] * slopes)
        step = np.linalg.solve(normal, slopes.T @ (weights * left) - z)
        share = 1.0
        while (trial := _cost(curve, z + share * step, hours, counts, robust)) > cost + 1e-12:
            share /= 2.0
            if share < 1e-6:
                break
        if share < 1e-6:
            break
        z, cost = z + share * step, trial
        if float(np.abs(step).max()) < NEAR:
            break
    slopes = curve.slopes(z, hours) / NOISE_SD
    left = (counts - curve.counts(z, hours)) / NOISE_SD
    weights = _weights(left, robust)
    spread: Array = np.asarray(
        np.linalg.inv(np.eye(k) + slopes.T @ (weights[:, None] * slopes)), dtype=np.float64
    )
    known = float(np.trace(np.eye(k) - spread))  # unknowns' worth that the peaks have spent
    free = max(0.0, len(peaks) - known)
    freedom = BELIEF + free
    misfit = float((weights * left) @ left)
    noise = NOISE_SD * math.sqrt((BELIEF + misfit) / freedom)
    if not np.all(np.isfinite(z)):
        raise BadInput("the taught counts fit no dish; check counts and longitudes")
    return Fit(curve, tuple(peaks), z, spread, noise, freedom, _carried(curve, slopes))


def cost_of(fit: Fit) -> float:
    """Twice the log of how improbable the peaks and the unknowns make each other, robustly."""
    hours, counts = _columns(fit.peaks)
    return _cost(fit.curve, fit.z, hours, counts, True)


def hold_back(fit: Fit, at: int) -> tuple[float, float]:
    """A peak against what the others alone predict: its residual and that residual's deviation."""
    others = fit.peaks[:at] + fit.peaks[at + 1 :]
    alone = fit_peaks(fit.curve, others)
    counts, sd = alone.predict([fit.peaks[at].hour_angle_deg])
    return fit.peaks[at].count - float(counts[0]), math.hypot(float(sd[0]), NOISE_SD)


def student_975(freedom: float) -> float:
    """Half width of a 95 % band in standard deviations, by Student's t (series of its quantile).

    >>> round(student_975(20), 3), round(student_975(1e9), 3)
    (2.086, 1.96)
    """
    z = 1.959963984540054
    first = (z**3 + z) / 4.0
    second = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    third = (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0
    return z + first / freedom + second / freedom**2 + third / freedom**3


def _columns(peaks: Sequence[Peak]) -> tuple[Array, Array]:
    return (
        np.array([peak.hour_angle_deg for peak in peaks], dtype=np.float64),
        np.array([peak.count for peak in peaks], dtype=np.float64),
    )


def _weights(left: Array, robust: bool) -> Array:
    if not robust:
        return np.ones_like(left)
    return np.asarray(HUBER / np.maximum(np.abs(left), HUBER), dtype=np.float64)


def _cost(curve: Curve, z: Array, hours: Array, counts: Array, robust: bool) -> float:
    left = np.abs(counts - curve.counts(z, hours)) / NOISE_SD
    loss = left * left
    if robust:
        loss = np.where(left <= HUBER, loss, 2.0 * HUBER * left - HUBER**2)
    return float(loss.sum() + z @ z)


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
