"""Bands, weights and suspicions against exact normal arithmetic with the priors written out.

Every unknown has a normal prior, so about its mean each list of counts is one normal density.
Here it is built from the law of cosines and the mount of the sky, and worked out by scipy.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm

from bridge.station.model import LinearMount, WormMount
from sim.counts.candidates import candidate_fits
from sim.counts.curve import curve_of, unmeasured_curves
from sim.counts.fit import Peak, fit_peaks
from sim.counts.hypotheses import Neighbour
from sim.counts.mixtures import mixture_of
from sim.counts.wrong_peaks import screen_peaks
from sim.sky.belt import Site
from sim.sky.mount import Mount, hour_angle_deg

Array = NDArray[np.float64]

SITE = Site(44.6, 3.9, 210.0)
LONGITUDES = [41.2, 30.2, 17.3, 7.4, -3.4, -13.1, -28.7]
HOURS = np.array([hour_angle_deg(SITE, longitude) for longitude in LONGITUDES])
WORM = WormMount(kind="worm", counts_per_deg=20, noon_count=1200)
LINEAR = LinearMount(
    kind="linear", frame_pivot_mm=520, dish_pivot_mm=430, retracted_mm=350, stroke_mm=560,
    counts_per_mm=48 / 25.4,
)  # fmt: skip
# Judgement and common practice: a counter's zero may be anywhere (1000 counts), a scale is right to
# 0.2 %, the noon angle to 0.85 deg, a tape to 3 mm; an axis is 0.25 deg off in tilt, 0.4 in lean.
ZERO, SCALE, NOON_DEG, TAPE_MM, TILT_DEG, LEAN_DEG = 1000.0, 0.002, 0.85, 3.0, 0.25, 0.4
NOISES = {1.0: 0.94, 1.6: 0.04, 2.5: 0.013, 4.0: 0.007}  # counts and odds; judgement


def half_lean_deg() -> float:
    """Half of what a modified mount leans forward: tan d0 = z / (a - r), tan d90 = z / root."""
    radius_m, (r, z) = 42164e3, SITE.axial
    noon = math.atan2(z, radius_m - r)
    return math.degrees(noon - math.atan2(z, math.sqrt(radius_m**2 - r**2))) / 2.0


def turned_deg(tilt_deg: float, lean_deg: float, longitudes: Sequence[float] = LONGITUDES) -> Array:
    """Hour angles of the satellites about an axis tilted and leaning that far from the Earth's.

    An axis that leans, without turning about itself, is a pole that leans and twists in part.
    """
    latitude = math.radians(SITE.latitude_deg)
    lean, twist = lean_deg * math.sin(latitude), lean_deg * math.cos(latitude)
    mount = Mount(SITE.latitude_deg + tilt_deg, 6.8, lean_deg=lean, twist_deg=twist)
    return np.array([mount.aim(SITE.to_satellite(lon)).hour_angle_deg for lon in longitudes])


def worm_counts(values: Array) -> Array:
    offset, scale, tilt, lean = values
    return np.asarray(1200 + offset + scale * 20 * turned_deg(tilt, lean))


def linear_counts(values: Array) -> Array:
    """The law of cosines."""
    offset, scale, noon, p, q, tilt, lean = values
    angle = np.radians(noon + turned_deg(tilt, lean))
    length = np.sqrt(p * p + q * q - 2.0 * p * q * np.cos(angle))
    return np.asarray(offset + scale * (48 / 25.4) * (length - 350.0))


def axis() -> tuple[tuple[float, float], tuple[float, float]]:
    """Tilt and lean as mean and deviation; true and modified mounts are as likely."""
    half = half_lean_deg()
    return (half, math.hypot(half, TILT_DEG)), (0.0, LEAN_DEG)


DRIVES: dict[str, tuple[Any, Callable[[Array], Array], list[tuple[float, float]]]] = {
    "worm": (WORM, worm_counts, [(0, ZERO), (1, SCALE), *axis()]),
    "linear": (
        LINEAR,
        linear_counts,
        [(0, ZERO), (1, SCALE), (90, NOON_DEG), (520, TAPE_MM), (430, TAPE_MM), *axis()],
    ),
}


def columns(counts: Callable[[Array], Array], priors: list[tuple[float, float]]) -> Array:
    """Change of all counts (n, k) for one prior deviation of each unknown."""
    mean = np.array([m for m, _ in priors], dtype=np.float64)
    steps = np.diag([1e-3 * sd for _, sd in priors])
    return np.array([(counts(mean + s) - counts(mean - s)) / 2e-3 for s in steps]).T


def posterior_sd(known: Array, everywhere: Array, noise_sd: float = 1.0) -> Array:
    """Deviation of counts everywhere once those with the rows `known` are read."""
    curvature = np.eye(known.shape[1]) + known.T @ known / noise_sd**2
    covariance = np.linalg.inv(curvature)
    return np.asarray(np.sqrt(np.einsum("nk,kl,nl->n", everywhere, covariance, everywhere)))


def peaks_at(indices: list[int], counts: Array) -> list[Peak]:
    return [Peak(n, float(HOURS[n]), float(counts[n])) for n in indices]


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("taught", [[3], [0, 6], [0, 3, 6], [0, 1, 3, 5, 6]], ids=len)
def test_uncertainty_is_that_of_normal_unknowns(drive: str, taught: list[int]) -> None:
    mount, counts, priors = DRIVES[drive]
    slopes = columns(counts, priors)
    expected = posterior_sd(slopes[taught], slopes)
    at_mean = counts(np.array([mean for mean, _ in priors], dtype=np.float64))
    fit = fit_peaks(curve_of(mount, SITE), peaks_at(taught, at_mean))
    predicted, sd = fit.predict(HOURS.tolist())
    assert sd == pytest.approx(expected, rel=0.01)
    assert predicted == pytest.approx(at_mean, abs=1e-3)
    _, low, high = mixture_of(candidate_fits(mount, SITE, fit.peaks)).band(HOURS.tolist())
    assert np.all(high - low > 2 * 1.95 * sd)  # the noise may be larger than one count
    assert np.all(high - low < 2 * 2.15 * sd)


@pytest.mark.parametrize("drive", DRIVES)
def test_with_nothing_taught_the_zero_is_the_files(drive: str) -> None:
    # A retracted length is trusted to 5 mm, a worm's noon count to 20 counts; judgement.
    mount, counts, priors = DRIVES[drive]
    zero = 20.0 if drive == "worm" else 5.0 * 48 / 25.4
    slopes = columns(counts, [(0, zero), *priors[1:]])
    _, sd = fit_peaks(curve_of(mount, SITE, taught=0), []).predict(HOURS.tolist())
    assert sd == pytest.approx(np.sqrt((slopes**2).sum(axis=1)), rel=1e-3)


def normal_log(counts: Array, mean: Array, slopes: Array, noise_sd: float) -> float:
    spread = slopes @ slopes.T + noise_sd**2 * np.eye(len(counts))
    return float(multivariate_normal(mean, spread).logpdf(counts))


@pytest.mark.parametrize("off", [0.0, 1.2, 2.2])
def test_noises_are_weighed_by_their_likelihood(off: float) -> None:
    mount, counts, priors = DRIVES["worm"]
    slopes = columns(counts, priors)
    mean = counts(np.array([m for m, _ in priors], dtype=np.float64))
    taught = mean + off * np.array([1, -1, 0.5, 1, -0.5, -1, 1])
    fits = candidate_fits(mount, SITE, peaks_at(list(range(7)), taught))
    mixture = mixture_of(fits[:4])  # what follows are other edges of the magnets
    logs = np.array([math.log(odds) + normal_log(taught, mean, slopes, noise)
                     for noise, odds in NOISES.items()])  # fmt: skip
    expected = np.exp(logs - logs.max()) / np.exp(logs - logs.max()).sum()
    assert [fit.noise_sd for fit in mixture.fits] == list(NOISES)
    assert mixture.weights == pytest.approx(expected, abs=0.01)
    # and the band is the 95 % of that mixture
    middle, low, high = mixture.band([10.0])
    parts = [fit.predict([10.0]) for fit in mixture.fits]
    for edge, share in ((low, 0.025), (middle, 0.5), (high, 0.975)):

        def below(x: float, share: float = share) -> float:
            each = [w * norm.cdf(x, m[0], s[0])
                    for w, (m, s) in zip(expected, parts, strict=True)]  # fmt: skip
            return float(sum(each)) - share

        assert edge[0] == pytest.approx(brentq(below, 1000, 1800), abs=0.05)


def edges_log(taught: Array, factor: float) -> float:
    _, counts, priors = DRIVES["worm"]
    scaled = [priors[0], (factor, factor * SCALE), *priors[2:]]
    mean = counts(np.array([m for m, _ in scaled], dtype=np.float64))
    return max(
        math.log(odds) + normal_log(taught, mean, columns(counts, scaled), noise)
        for noise, odds in NOISES.items()
    )


@pytest.mark.parametrize("factor", [1.0, 2.0, 0.5])
def test_both_edges_or_one_are_told_by_the_scale(factor: float) -> None:
    taught = 1200 + 20 * factor * turned_deg(half_lean_deg(), 0.0)
    logs = {f: edges_log(taught, f) + (0.0 if f == 1.0 else -6.0) for f in (1.0, 2.0, 0.5)}
    assert max(logs, key=logs.__getitem__) == factor
    mixture = mixture_of(candidate_fits(WORM, SITE, peaks_at(list(range(7)), taught)))
    scale = next(u for u in mixture.likeliest().curve.unknowns if u.name == "scale")
    assert (scale.mean, scale.sd) == (factor, factor * SCALE)


# ---- drives that nobody measured --------------------------------------------------------------

# Mean and deviation without [mount]: 6 to 20 counts a degree is common practice, the noon angle and
# the pivots' ratio of an actuator are judgement, the bends those of the study's triangles.
STEEPNESS, NOON_DEG_BARE, LOG_RATIO = (12.0, 5.0), (90.0, 5.5), (0.2, 0.17)
BENDS = ((-0.0025, 0.0022), (-0.8e-5, 1.1e-5), (0.3e-7, 0.5e-7))
FEW = np.array([-41.0, -4.0, 36.0])
GRID = np.linspace(-42, 38, 9)


def triangle(steep: float, noon_deg: Array, log_ratio: Array, hours: Array) -> Array:
    """Counts of an actuator above those at noon, by the law of cosines with q = 1."""
    p = np.exp(log_ratio)
    noon = np.radians(noon_deg)
    length = np.sqrt(p * p + 1.0 - 2.0 * p * np.cos(noon + np.radians(hours)))
    at_noon = np.sqrt(p * p + 1.0 - 2.0 * p * np.cos(noon))
    per_deg = p * np.sin(noon) / at_noon * math.radians(1.0)
    return np.asarray(steep * (length - at_noon) / per_deg)


def smooth(steep: float, bends: Array, hours: Array) -> Array:
    bend, third, fourth = bends
    h = hours
    return np.asarray(steep * (h + bend * h**2 + third * h**3) + steep / 12 * fourth * 10 * h**4)


def test_unmeasured_drives_are_uncertain_by_their_usual_shape() -> None:
    actuator, straight, bent = unmeasured_curves()
    for curve, shape, priors in (
        (actuator, lambda v, h: v[0] + triangle(v[1], v[2], v[3], h),
         [(600, ZERO), STEEPNESS, NOON_DEG_BARE, LOG_RATIO]),
        (straight, lambda v, h: v[0] + v[1] * h, [(600, ZERO), STEEPNESS]),
        (bent, lambda v, h: v[0] + smooth(v[1], v[2:], h), [(600, ZERO), STEEPNESS, *BENDS]),
    ):  # fmt: skip
        at_mean = shape(np.array([mean for mean, _ in priors]), FEW)
        peaks = [Peak(n, float(h), float(c))
                 for n, (h, c) in enumerate(zip(FEW, at_mean, strict=True))]  # fmt: skip
        fit = fit_peaks(curve, peaks)
        assert fit.curve.values(fit.z) == pytest.approx([mean for mean, _ in priors], rel=1e-6)
        slopes = [columns(lambda v, h=h, shape=shape: shape(v, h), priors) for h in (FEW, GRID)]
        _, sd = fit.predict(GRID.tolist())
        assert sd == pytest.approx(posterior_sd(*slopes), rel=0.01), curve.kind


def test_two_peaks_leave_the_odds_of_the_drives_to_their_usual_steepness() -> None:
    """Offset and steepness are integrated exactly, the shape over 40 000 draws of its prior."""
    h1, h2, c1, c2 = -41.0, 36.0, 94.0, 942.0
    random = np.random.default_rng(3)
    unit = random.standard_normal((3, 40_000))
    ends = np.array([[h1], [h2]])
    noon, ratio = (
        m + s * u for (m, s), u in zip((NOON_DEG_BARE, LOG_RATIO), unit[:2], strict=True)
    )
    bends = [(m + s * u) for (m, s), u in zip(BENDS, unit, strict=True)]
    spans = {
        "actuator": np.diff(triangle(1.0, noon, ratio, ends), axis=0)[0],
        "straight": np.array([h2 - h1]),
        "smooth": np.diff(smooth(1.0, np.array(bends)[:, None, :], ends), axis=0)[0],
    }
    odds = {"actuator": 0.8, "straight": 0.15, "smooth": 0.05}
    chances = {
        kind: odds[kind] * float(np.mean(norm.pdf(c2 - c1, 12 * span, np.hypot(5 * span, 1.41))))
        for kind, span in spans.items()
    }
    peaks = [Peak(1, h1, c1), Peak(2, h2, c2)]
    mixture = mixture_of(candidate_fits(None, SITE, peaks))
    for kind, chance in chances.items():
        curve = next(fit.curve for fit in mixture.fits if fit.curve.kind == kind)
        share = chance / sum(chances.values())
        assert mixture.weight_of(curve) == pytest.approx(share, rel=0.04), kind


# ---- suspicions -------------------------------------------------------------------------------

LISTED_AT = [25.1, 21.9, 17.3, 10.4, 4.3, -3.4, -13.1, -18.6]  # deg east; the last is not taught
TAUGHT = list(range(7))


def worm_at(values: Array) -> Array:
    offset, scale, tilt, lean = values
    return np.asarray(1200 + offset + scale * 20 * turned_deg(tilt, lean, LISTED_AT))


def errors_considered(
    hours: Array, mean: Array, slopes: Array
) -> Iterator[tuple[tuple[int, ...], float, Array, Array, Array]]:
    """Peaks called wrong, odds, and mean, slopes and added covariance of the list under it.

    Odds are judgement; backlash and spacings are common practice.
    """
    none = np.zeros((7, 7))
    for i in TAUGHT:
        one = np.eye(7)[i]
        apart = np.abs(hours - hours[i])
        near = [j for j in np.argsort(apart)[1:5] if 0.5 < apart[j] <= 8.0]
        for j in near:
            moved, tilted = mean[:7].copy(), slopes[:7].copy()
            moved[i], tilted[i] = mean[j], slopes[j]
            yield (i,), 0.02 / len(near), moved, tilted, none
        for shift, sd, odds in (
            (-2.5, 1.1, 0.03), (2.5, 1.1, 0.03), (-58.0, 10.0, 0.0015), (58.0, 10.0, 0.0015),
            (0.0, 40.0, 0.003),
        ):  # fmt: skip
            yield (i,), odds, mean[:7] + shift * one, slopes[:7], sd**2 * np.outer(one, one)
    for part in ((0, 1), (0, 1, 2), (4, 5, 6), (5, 6)):
        several = np.isin(TAUGHT, part).astype(float)
        yield part, 0.01 / 4, mean[:7], slopes[:7], 1600.0 * np.outer(several, several)


def exact_suspicions(taught: Array) -> tuple[float, dict[tuple[int, ...], float]]:
    """Probability that all are right, and that each part of the list is wrong."""
    priors = DRIVES["worm"][2]
    mean = worm_at(np.array([m for m, _ in priors], dtype=np.float64))
    slopes = columns(worm_at, priors)
    hours = np.array([hour_angle_deg(SITE, longitude) for longitude in LISTED_AT])
    right, wrong = 0.0, dict[tuple[int, ...], float]()
    for noise, noise_odds in NOISES.items():

        def density(m: Array, s: Array, more: Array, noise: float = noise) -> float:
            spread = s @ s.T + noise**2 * np.eye(7) + more
            return float(multivariate_normal(m, spread).pdf(taught))

        right += noise_odds * density(mean[:7], slopes[:7], np.zeros((7, 7)))
        for part, odds, m, s, more in errors_considered(hours, mean, slopes):
            wrong[part] = wrong.get(part, 0.0) + noise_odds * odds * density(m, s, more)
    whole = right + sum(wrong.values())
    return right / whole, {part: chance / whole for part, chance in wrong.items()}


@pytest.mark.parametrize("off", [0.0, 2.25, -2.75, 3.0, -3.75, 4.5, 20.0])
def test_a_peak_is_named_by_the_odds_of_all_reasons(off: float) -> None:
    mean = worm_at(np.array([0.0, 1.0, half_lean_deg(), 0.0]))
    taught = mean[:7] + off * np.eye(7)[3]
    right, wrong = exact_suspicions(taught)
    hours = [hour_angle_deg(SITE, longitude) for longitude in LISTED_AT]
    peaks = [Peak(n, hours[n], float(taught[n])) for n in TAUGHT]
    listed = [Neighbour(n, f"S{n}", hour) for n, hour in enumerate(hours)]
    screened = screen_peaks(WORM, SITE, peaks, listed)
    worst = max(wrong, key=wrong.__getitem__)
    assert all(abs(wrong[worst] - edge) > 0.01 for edge in (0.3, 0.6))  # nothing on a threshold
    named = [(outlier.number, outlier.sure) for outlier in screened.outliers]
    if wrong[worst] < 0.3:
        assert named == []
    else:
        assert named == [(3, wrong[worst] >= 0.6)]
    if wrong[worst] < 0.6:
        assert screened.p_consistent == pytest.approx(right, abs=0.01)
