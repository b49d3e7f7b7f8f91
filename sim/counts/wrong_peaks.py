"""Which taught count does not fit the others, and the likely reason.

Each hypothesis changes what a peak's count should have been. All are weighed by how probable they
make the whole list: the fit is linear enough near its optimum for that to be one normal density
each. A peak is named where the hypotheses that call it wrong together outweigh everything else, and
named as doubtful where they come near to that. Those plainly named are set aside and the rest is
weighed again, so that one mistake does not hide another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.station.model import LinearMount, WormMount
from sim.counts.candidates import candidate_fits, choose_fit
from sim.counts.fit import Fit, Peak, fit_peaks
from sim.counts.hypotheses import Code, Hypothesis, Neighbour, describe, hypotheses_of
from sim.counts.mixtures import Mixture, mixture_of
from sim.counts.normal import log_density
from sim.sky.belt import Site

Array = NDArray[np.float64]

NAMED = 0.6  # 1, probability from which a peak is named and set aside; judgement
DOUBTFUL = 0.3  # 1, probability from which it is named as doubtful but still used; judgement
LEAST_PEAKS = 2  # peaks that are left at least when others are set aside (judgement)
MOST_SHARE = 3  # at most one peak in so many is set aside by itself; judgement


@dataclass(frozen=True, slots=True)
class Outlier:
    """A peak that does not fit, the likely reason in words, and how many counts it is off."""

    number: int
    explanation: str
    off_counts: float  # west positive
    code: Code  # of the likeliest hypothesis
    sure: bool = True  # False where it is only doubtful, and still part of the fit


@dataclass(frozen=True, slots=True)
class Screening:
    """The fit without the outliers, the outliers, and how probable it is that the rest fits."""

    fit: Fit
    mixture: Mixture  # of all curves and noises; its bands are those to trust
    outliers: tuple[Outlier, ...]
    p_consistent: float
    notes: tuple[str, ...]  # on the curve that the rest follows


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Probability that all peaks are right, and of each group to be wrong, with the reason."""

    p_consistent: float
    p_wrong: dict[tuple[int, ...], float]
    likeliest: dict[tuple[int, ...], Hypothesis]


def screen_peaks(
    mount: LinearMount | WormMount | None,
    site: Site,
    peaks: Sequence[Peak],
    listed: Sequence[Neighbour],
    approach: str | None = None,
) -> Screening:
    """Fit the peaks that belong together and name those that do not.

    `approach` is the way the dish moves when it arrives, "east" or "west", where that is known:
    one that arrived the other way reads lower after "west" and higher after "east".
    """
    rest = list(peaks)
    outliers: list[Outlier] = []
    doubtful: list[Outlier] = []
    most = len(peaks) // MOST_SHARE
    p_consistent = 1.0
    fits = candidate_fits(mount, site, rest)
    while len(rest) >= LEAST_PEAKS:
        posterior = _weigh_hypotheses(fits, listed, approach)
        p_consistent = posterior.p_consistent
        worst = max(posterior.p_wrong, key=posterior.p_wrong.__getitem__)
        wrong = [rest[index] for index in worst]
        single = len(wrong) == 1
        room = len(outliers) < most if single else len(rest) - len(wrong) >= LEAST_PEAKS
        if posterior.p_wrong[worst] < NAMED or not room:
            if len(outliers) < most:
                doubtful = _doubtful(posterior, mixture_of(fits).likeliest())
            break
        rest = [peak for peak in rest if peak not in wrong]
        fits = candidate_fits(mount, site, rest)
        offs = _off_counts(mixture_of(fits).likeliest(), wrong)
        reason = posterior.likeliest[worst]
        explanation = describe(reason, math.fsum(offs) / len(offs))
        outliers += [
            Outlier(peak.number, explanation, off, reason.code)
            for peak, off in zip(wrong, offs, strict=True)
        ]
    mixture = mixture_of(fits)
    fit, notes = choose_fit(mount, mixture)
    return Screening(fit, mixture, tuple(outliers + doubtful), p_consistent, notes)


def _doubtful(posterior: _Posterior, fit: Fit) -> list[Outlier]:
    """The single peak most likely to be wrong, where that comes near to outweighing the rest."""
    single = (index for index in posterior.p_wrong if len(index) == 1)
    at = max(single, key=posterior.p_wrong.__getitem__)
    if posterior.p_wrong[at] < DOUBTFUL:
        return []
    peak, reason = fit.peaks[at[0]], posterior.likeliest[at]
    others = [other for other in fit.peaks if other is not peak]
    (off,) = _off_counts(fit_peaks(fit.curve, others, noise_sd=fit.noise_sd), [peak])
    return [Outlier(peak.number, describe(reason, off, sure=False), off, reason.code, sure=False)]


def _off_counts(fit: Fit, peaks: Sequence[Peak]) -> list[float]:
    """How far peaks are west of where a fit without them puts them."""
    expected, _ = fit.predict([peak.hour_angle_deg for peak in peaks])
    return [peak.count - float(n) for peak, n in zip(peaks, expected, strict=True)]


def _weigh_hypotheses(
    fits: Sequence[tuple[Fit, float]], listed: Sequence[Neighbour], approach: str | None
) -> _Posterior:
    """All hypotheses under all curves that the peaks may follow, weighed against each other."""
    hypotheses: list[Hypothesis | None] = []  # None: all peaks are right
    logs: list[float] = []
    for fit, log_odds in fits:
        likelihood = _Likelihood(fit, listed)
        all_right = log_odds + likelihood.all_right
        considered = hypotheses_of(fit.peaks, listed, fit.counts_per_deg, approach)
        hypotheses += [None, *considered]
        logs += [
            all_right,
            *(all_right + h.log_odds + likelihood.log_ratio(h) for h in considered),
        ]
    chances = np.exp(np.array(logs) - max(logs))
    chances /= chances.sum()
    p_consistent = 0.0
    p_wrong: dict[tuple[int, ...], float] = {}
    best: dict[tuple[int, ...], tuple[float, Hypothesis]] = {}
    for chance, hypothesis in zip(chances.tolist(), hypotheses, strict=True):
        if hypothesis is None:
            p_consistent += chance
            continue
        wrong = hypothesis.peaks
        p_wrong[wrong] = p_wrong.get(wrong, 0.0) + chance
        if wrong not in best or chance > best[wrong][0]:
            best[wrong] = (chance, hypothesis)
    return _Posterior(p_consistent, p_wrong, {at: h for at, (_, h) in best.items()})


class _Likelihood:
    """How probable a hypothesis makes the taught counts, against all of them being right.

    All unknowns are averaged over: taught minus fitted counts are normal about what the fit's
    slopes make of the prior knowledge. `all_right` is the log of that density.
    """

    def __init__(self, fit: Fit, listed: Sequence[Neighbour]) -> None:
        hours = [peak.hour_angle_deg for peak in fit.peaks]
        everywhere = np.array(hours + [other.hour_angle_deg for other in listed])
        slopes = fit.curve.slopes(fit.z, everywhere)
        prior = fit.curve.counts(fit.z, everywhere) - slopes @ fit.z
        n = len(hours)
        self._taught = np.array([peak.count for peak in fit.peaks], dtype=np.float64)
        self._slopes, self._residuals = slopes[:n], self._taught - prior[:n]
        self._others = {
            other.number: (slopes[n + k], float(prior[n + k])) for k, other in enumerate(listed)
        }
        self._noise: Array = fit.noise_sd**2 * np.eye(n)
        self.all_right = self._log_density(self._slopes, self._residuals)
        self._precision = np.linalg.inv(self._slopes @ self._slopes.T + self._noise)

    def log_ratio(self, hypothesis: Hypothesis) -> float:
        """Log of how many times likelier the counts are under a hypothesis."""
        if hypothesis.mistaken_for is not None:
            (at,) = hypothesis.peaks
            slopes, residuals = self._slopes.copy(), self._residuals.copy()
            slopes[at], there = self._others[hypothesis.mistaken_for.number]
            residuals[at] = self._taught[at] - there
            return self._log_density(slopes, residuals) - self.all_right
        # The wrong peaks share one normal error: a rank-one change of the covariance, by the
        # formula of Sherman and Morrison.
        wrong = np.zeros(len(self._residuals))
        wrong[list(hypothesis.peaks)] = 1.0
        shift, variance = hypothesis.shift_counts, hypothesis.shift_sd_counts**2
        weighted = self._precision @ wrong
        pull, stiffness = float(weighted @ self._residuals), float(weighted @ wrong)
        widened = 1.0 + variance * stiffness
        gain = 2.0 * pull * shift - stiffness * shift**2
        gain += variance * (pull - stiffness * shift) ** 2 / widened
        return 0.5 * (gain - math.log(widened))

    def _log_density(self, slopes: Array, residuals: Array) -> float:
        return log_density(residuals, slopes @ slopes.T + self._noise)
