"""How taught counts are screened against hypotheses, and which are told."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from bridge.station.model import WormMount
from sim.counts.curve import curve_of
from sim.counts.fit import NOISE_SD, Fit, Peak, fit_peaks
from sim.counts.hypotheses import Hypothesis, Neighbour
from sim.counts.wrong_peaks import _Likelihood, screen_peaks
from sim.sky.belt import Site

MOUNT = WormMount(kind="worm", counts_per_deg=12, noon_count=600)
SITE = Site(44.6, 3.9)
HOURS = [-40.0, -31.0, -17.0, -6.0, 4.0, 15.0, 22.0, 38.0]
LISTED = [Neighbour(n, f"S{n}", hour) for n, hour in enumerate(HOURS)]
LISTED.append(Neighbour(99, "Spindle", -13.5))


def list_of(offs: dict[int, float], days: dict[int, date] | None = None) -> list[Peak]:
    return [
        Peak(n, hour, round(600 + 12 * hour) + offs.get(n, 0.0), (days or {}).get(n))
        for n, hour in enumerate(HOURS)
    ]


def log_density(fit: Fit, hours: list[float], mean: np.ndarray, more: np.ndarray) -> float:
    """scipy's normal density of the counts, all unknowns averaged over at the fit's slopes."""
    at = np.array(hours)
    slopes = fit.curve.slopes(fit.z, at)
    prior = fit.curve.counts(fit.z, at) - slopes @ fit.z
    spread = slopes @ slopes.T + NOISE_SD**2 * np.eye(len(at)) + more
    counts = [peak.count for peak in fit.peaks]
    return float(multivariate_normal(prior + mean, spread, allow_singular=False).logpdf(counts))


@pytest.mark.parametrize("at", [(3,), (0, 1, 2)])
def test_shifts_are_weighed_as_normal_densities(at: tuple[int, ...]) -> None:
    fit = fit_peaks(curve_of(MOUNT, SITE), list_of({3: -3.0, 0: 2.0}))
    accused = np.zeros(len(HOURS))
    accused[list(at)] = 1.0
    hypothesis = Hypothesis("other side", at, 0.0, -2.5, 1.1)
    wide = 1.1**2 * np.outer(accused, accused)
    none = np.zeros((len(HOURS), len(HOURS)))
    expected = log_density(fit, HOURS, -2.5 * accused, wide) - log_density(
        fit, HOURS, 0.0 * accused, none
    )
    assert _Likelihood(fit, LISTED).log_ratio(hypothesis) == pytest.approx(expected, abs=1e-6)


def test_a_neighbour_is_weighed_by_where_it_stands() -> None:
    fit = fit_peaks(curve_of(MOUNT, SITE), list_of({2: 40.0}))
    hypothesis = Hypothesis("neighbour", (2,), 0.0, mistaken_for=LISTED[-1])
    moved = [-13.5 if n == 2 else hour for n, hour in enumerate(HOURS)]
    none, zero = np.zeros((len(HOURS), len(HOURS))), np.zeros(len(HOURS))
    expected = log_density(fit, moved, zero, none) - log_density(fit, HOURS, zero, none)
    assert _Likelihood(fit, LISTED).log_ratio(hypothesis) == pytest.approx(expected, abs=1e-6)


def test_an_honest_list_accuses_nobody() -> None:
    screened = screen_peaks(MOUNT, SITE, list_of({1: 1.0, 5: -1.0}), LISTED)
    assert screened.outliers == ()
    assert screened.p_consistent > 0.3
    assert len(screened.fit.peaks) == len(HOURS)


def test_a_doubtful_peak_is_named_and_still_believed() -> None:
    screened = screen_peaks(MOUNT, SITE, list_of({3: -3.0}), LISTED)
    (outlier,) = screened.outliers
    assert (outlier.number, outlier.code, outlier.sure) == (3, "other side", False)
    assert "perhaps arrived from the other side" in outlier.explanation
    assert len(screened.fit.peaks) == len(HOURS)


def test_a_plain_case_is_named_without_perhaps_and_set_aside() -> None:
    screened = screen_peaks(MOUNT, SITE, list_of({3: -4.0}), LISTED, "west")
    (outlier,) = screened.outliers
    assert (outlier.number, outlier.code, outlier.sure) == (3, "other side", True)
    assert "perhaps" not in outlier.explanation
    assert outlier.off_counts == pytest.approx(-4.0, abs=0.6)
    assert len(screened.fit.peaks) == len(HOURS) - 1


def test_a_single_newer_peak_off_the_older_ones_speaks_of_lost_counts() -> None:
    days = dict.fromkeys(range(len(HOURS)), date(2026, 5, 4)) | {5: date(2026, 6, 10)}
    screened = screen_peaks(MOUNT, SITE, list_of({5: 14.0}, days), LISTED)
    (outlier,) = screened.outliers
    assert (outlier.number, outlier.code) == (5, "lost since")
    assert "counts lost in between" in outlier.explanation


@pytest.mark.parametrize("older", [(0,), (0, 3), (0, 1, 2, 3, 4, 5)])
def test_older_peaks_are_stale_however_many_they_are(older: tuple[int, ...]) -> None:
    days = {n: date(2026, 5, 4) if n in older else date(2026, 6, 10) for n in range(len(HOURS))}
    screened = screen_peaks(MOUNT, SITE, list_of(dict.fromkeys(older, 14.0), days), LISTED)
    assert {outlier.number for outlier in screened.outliers} == set(older)
    assert {outlier.code for outlier in screened.outliers} == {"lost counts"}
    counts, _ = screened.fit.predict([0.0])
    assert counts[0] == pytest.approx(600.0, abs=1.5)  # as the counter reads now


def test_from_either_side_no_backlash_is_suspected() -> None:
    screened = screen_peaks(MOUNT, SITE, list_of({3: -4.0}), LISTED, "either")
    assert all(outlier.code != "other side" for outlier in screened.outliers)


def test_without_mount_a_bad_peak_is_named_and_the_kind_of_drive_still_told() -> None:
    screened = screen_peaks(None, SITE, list_of({2: 42.0}), LISTED)
    (outlier,) = screened.outliers
    assert (outlier.number, outlier.code, outlier.sure) == (2, "neighbour", True)
    assert screened.fit.curve.kind == "straight"
    assert any("worm drive" in note for note in screened.notes)


def test_a_bad_peak_is_named_where_both_edges_are_counted_too() -> None:
    doubled = [Peak(p.number, p.hour_angle_deg, 2 * p.count) for p in list_of({2: 42.0})]
    screened = screen_peaks(MOUNT, SITE, doubled, LISTED)
    (outlier,) = screened.outliers
    assert (outlier.number, outlier.code) == (2, "neighbour")
    assert any("twice the counts_per_deg" in note for note in screened.notes)


def test_no_more_than_a_third_of_the_peaks_is_set_aside_one_by_one() -> None:
    wrong = {1: -61.0, 4: 95.0, 6: -143.0}
    screened = screen_peaks(MOUNT, SITE, list_of(wrong), LISTED)
    named = [outlier.number for outlier in screened.outliers if outlier.sure]
    assert len(named) == 2  # of eight
    assert set(named) < set(wrong)


def test_two_mistakes_are_both_named() -> None:
    screened = screen_peaks(MOUNT, SITE, list_of({1: -61.0, 6: 95.0}), LISTED)
    offs = {outlier.number: outlier.off_counts for outlier in screened.outliers}
    assert offs == {1: pytest.approx(-61.0, abs=3.0), 6: pytest.approx(95.0, abs=3.0)}
    assert all(outlier.sure for outlier in screened.outliers)
    assert screened.p_consistent > 0.3


def test_two_peaks_that_contradict_each_other_name_none() -> None:
    screened = screen_peaks(MOUNT, SITE, list_of({7: 64.0})[::7], LISTED)
    assert screened.outliers == ()
    assert screened.p_consistent < 0.05
    single = screen_peaks(MOUNT, SITE, list_of({})[:1], LISTED)
    assert (single.outliers, single.p_consistent) == ((), 1.0)
