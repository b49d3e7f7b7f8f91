"""The fit of counts along the arc against a general solver and against itself."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import multivariate_normal

from bridge.station.model import LinearMount, WormMount
from sim.counts.candidates import candidate_fits
from sim.counts.curve import LENGTH_SD_MM, NOON_SD_DEG, SCALE_SD, ZERO_SD, curve_of
from sim.counts.fit import HUBER, NOISE_SD, Peak, fit_peaks, log_evidence, residual_without
from sim.counts.mixtures import mixture_of
from sim.sky.belt import Site

SITE = Site(44.6, 3.9)
MOUNT = LinearMount(
    kind="linear",
    frame_pivot_mm=520.0,
    dish_pivot_mm=430.0,
    retracted_mm=350.0,
    stroke_mm=560.0,
    counts_per_mm=48.0 / 25.4,
    noon_angle_deg=90.0,
)
MEASURED = np.array([0.0, 1.0, 90.0, 520.0, 430.0])  # offset, scale, noon angle, pivots
TRUSTED = np.array([ZERO_SD, SCALE_SD, NOON_SD_DEG, LENGTH_SD_MM, LENGTH_SD_MM])


def triangle_counts(values: Any, hours_deg: Any) -> Any:
    """The law of cosines, written out again."""
    offset, scale, noon, p, q = values
    length = np.sqrt(p * p + q * q - 2.0 * p * q * np.cos(np.radians(noon + hours_deg)))
    return offset + scale * MOUNT.counts_per_mm * (length - MOUNT.retracted_mm)


def solve_generally(hours: Any, counts: Any) -> Any:
    """scipy's least squares over peaks (Huber's loss) and tape measure (plain squares)."""

    def residuals(values: Any) -> Any:
        misfit = (counts - triangle_counts(values, hours)) / NOISE_SD
        return np.concatenate([misfit, (values - MEASURED) / TRUSTED])

    def loss(squares: Any) -> Any:
        n = len(counts)
        rho = np.array([squares, np.ones_like(squares), np.zeros_like(squares)])
        far = np.flatnonzero(squares[:n] > HUBER**2)
        root = np.sqrt(squares[far])
        rho[0, far] = 2.0 * HUBER * root - HUBER**2
        rho[1, far] = HUBER / root
        rho[2, far] = -HUBER / (2.0 * root**3)
        return rho

    found = least_squares(
        residuals, MEASURED, loss=loss, x_scale=TRUSTED, xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    return found.x


@pytest.mark.parametrize("seed", range(12))
def test_unknowns_agree_with_a_general_solver(seed: int) -> None:
    # scipy.optimize.least_squares, a trust-region solver with a loss of its own
    random = np.random.default_rng(seed)
    hours = np.sort(random.uniform(-45, 45, random.integers(1, 12)))
    real = MEASURED + TRUSTED * random.normal(0, 1, 5) * np.array([0.1, 1, 1, 1, 1])
    counts = np.round(triangle_counts(real, hours) + random.normal(0, 1, len(hours)))
    if len(hours) > 4:
        counts[2] += 30.0  # one that Huber's loss has to hold back
    peaks = [Peak(n, h, c) for n, (h, c) in enumerate(zip(hours, counts, strict=True))]
    fit = fit_peaks(curve_of(MOUNT), peaks)
    general = solve_generally(hours, counts)
    grid = np.linspace(-45, 45, 31)
    ours, _ = fit.predict(list(grid))
    assert ours == pytest.approx(triangle_counts(general, grid), abs=2e-3)


def test_spread_is_the_inverse_of_the_curvature() -> None:
    peaks = [Peak(1, -40.0, 110.0), Peak(2, 0.0, 615.0), Peak(3, 36.0, 941.0)]
    curve = curve_of(MOUNT)
    fit = fit_peaks(curve, peaks, robust=False)
    hours = np.array([peak.hour_angle_deg for peak in peaks])
    slopes = np.empty((3, 5))
    for k in range(5):  # by hand, one unknown at a time
        up, down = fit.z.copy(), fit.z.copy()
        up[k] += 1e-5
        down[k] -= 1e-5
        slopes[:, k] = (curve.counts(up, hours) - curve.counts(down, hours)) / 2e-5
    curvature = np.eye(5) + slopes.T @ slopes / NOISE_SD**2
    assert np.allclose(fit.covariance, np.linalg.inv(curvature), rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("taught", range(1, 9))
def test_never_tells_more_unknowns_than_peaks(taught: int) -> None:
    hours = np.linspace(-44, 44, taught) if taught > 1 else np.array([0.0])
    counts = triangle_counts(MEASURED, hours)
    peaks = [Peak(n, h, c) for n, (h, c) in enumerate(zip(hours, counts, strict=True))]
    for mount in (MOUNT, WormMount(kind="worm", counts_per_deg=12, noon_count=600), None):
        fit = fit_peaks(curve_of(mount), peaks)
        assert len(fit.determined) <= taught
        assert fit.determined[0] == "offset"
    assert fit_peaks(curve_of(MOUNT), peaks).determined[1:2] == (("scale",) if taught > 1 else ())


def test_neighbouring_peaks_tell_no_scale() -> None:
    hours = [2.0, 3.0]
    peaks = [Peak(n, h, float(triangle_counts(MEASURED, h))) for n, h in enumerate(hours)]
    assert fit_peaks(curve_of(MOUNT), peaks).determined == ("offset",)


def test_band_narrows_with_every_peak_and_widens_away_from_them() -> None:
    hours = [-40.0, 35.0, 0.0, -20.0, 18.0]
    counts = [float(triangle_counts(MEASURED, hour)) for hour in hours]
    before = math.inf
    for taught in range(1, 6):
        peaks = [Peak(n, hours[n], counts[n]) for n in range(taught)]
        _, sd = fit_peaks(curve_of(MOUNT), peaks).predict([10.0])
        assert sd[0] < before
        before = float(sd[0])
    _, sd = fit_peaks(curve_of(MOUNT), [Peak(0, 0.0, 615.0)]).predict([0.0, 15.0, 30.0, 45.0])
    assert list(sd) == sorted(sd)


def test_a_peak_held_back_is_judged_by_the_others_alone() -> None:
    hours = [-40.0, -20.0, 0.0, 20.0, 40.0]
    counts = [float(triangle_counts(MEASURED, hour)) for hour in hours]
    counts[2] += 9.0
    fit = fit_peaks(
        curve_of(MOUNT), [Peak(n, h, c) for n, (h, c) in enumerate(zip(hours, counts, strict=True))]
    )
    residual, sd = residual_without(fit, 2)
    assert residual == pytest.approx(9.0, abs=0.3)
    assert 1.0 < sd < 2.0


@pytest.mark.parametrize("noise_sd", [1.0, 2.5])
def test_noise_is_told_by_its_evidence(noise_sd: float) -> None:
    # scipy's normal density, all unknowns averaged over; the curve is straight enough for that.
    random = np.random.default_rng(4)
    hours = np.linspace(-44, 44, 9)
    curve = curve_of(WormMount(kind="worm", counts_per_deg=12, noon_count=600))
    counts = 600 + 12 * hours + random.normal(0, 1.2, 9)  # within the reach of plain squares
    fit = fit_peaks(
        curve,
        [Peak(n, h, c) for n, (h, c) in enumerate(zip(hours, counts, strict=True))],
        noise_sd=noise_sd,
        robust=False,
    )
    slopes = curve.slopes(np.zeros(2), hours)
    spread = slopes @ slopes.T + noise_sd**2 * np.eye(9)
    density = multivariate_normal(600 + 12 * hours, spread).logpdf(counts)
    constant = -4.5 * math.log(2.0 * math.pi)
    assert log_evidence(fit) == pytest.approx(density - constant, abs=1e-3)


def test_larger_scatter_widens_the_band() -> None:
    random = np.random.default_rng(3)
    hours = np.linspace(-44, 44, 14)
    widths = []
    for scatter in (0.8, 4.0):
        counts = triangle_counts(MEASURED, hours) + random.normal(0, scatter, 14)
        peaks = [Peak(n, h, c) for n, (h, c) in enumerate(zip(hours, counts, strict=True))]
        mixture = mixture_of(candidate_fits(MOUNT, SITE, peaks))
        _, low, high = mixture.band([10.0])
        widths.append(float(high[0] - low[0]))
        assert (mixture.likeliest().noise_sd > 2.0) is (scatter > 2.0)
    assert widths[1] > 2.0 * widths[0]


def test_rms_is_that_of_taught_minus_fitted_counts() -> None:
    worm = curve_of(WormMount(kind="worm", counts_per_deg=12, noon_count=600))
    offs = np.array([2.0, -2.0, -2.0, 2.0])
    hours = np.array([-30.0, -10.0, 10.0, 30.0])
    peaks = [
        Peak(n, h, 600 + 12 * h + off) for n, (h, off) in enumerate(zip(hours, offs, strict=True))
    ]
    fit = fit_peaks(worm, peaks)
    # neither an offset nor a slope takes anything of them
    assert fit.residuals == pytest.approx(offs, abs=1e-3)
    assert fit.rms == pytest.approx(2.0, abs=1e-3)
    assert fit_peaks(worm, []).rms == 0.0
    assert fit.counts_per_deg(5.0) == pytest.approx(12.0, abs=0.01)
