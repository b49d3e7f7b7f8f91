"""Drives that nobody measured: told apart where the peaks can, blended where they cannot."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from sim.counts.candidates import candidate_fits, choose_fit
from sim.counts.fit import Peak
from sim.counts.mixtures import _quantile, mixture_of
from sim.sky.belt import Site

SITE = Site(44.6, 3.9)
GRID = [float(hour) for hour in np.linspace(-42, 38, 17)]


def actuator(hour: float) -> float:
    """The demo yard's triangle, by the law of cosines."""
    length = np.sqrt(520**2 + 430**2 - 2 * 520 * 430 * np.cos(np.radians(90 + hour)))
    return float((length - 350) * 48 / 25.4)


def worm(hour: float) -> float:
    return 700 + 11.0 * hour


def peaks_of(drive: object, *hours: float) -> list[Peak]:
    assert callable(drive)
    return [Peak(n, hour, round(drive(hour))) for n, hour in enumerate(hours)]


def test_quantiles_of_a_blend_agree_with_a_root_finder() -> None:
    # scipy.stats.norm and scipy.optimize.brentq
    middles, sds = np.array([[570.0], [542.0], [490.0]]), np.array([[4.0], [20.0], [2.0]])
    shares = np.array([[0.7], [0.1], [0.2]])
    for share in (0.025, 0.5, 0.975):

        def below(x: float, share: float = share) -> float:
            return float((shares * norm.cdf(x, middles, sds)).sum()) - share

        (ours,) = _quantile(share, middles, sds, shares)
        assert ours == pytest.approx(brentq(below, 300, 800, xtol=1e-9), abs=1e-4)


@pytest.mark.parametrize(("drive", "kind"), [(actuator, "actuator"), (worm, "straight")])
def test_three_peaks_tell_an_actuator_from_a_worm(drive: object, kind: str) -> None:
    assert callable(drive)
    peaks = peaks_of(drive, -41, -4, 36)
    mixture = mixture_of(candidate_fits(None, SITE, peaks))
    fit, (note,) = choose_fit(None, mixture)
    assert fit.curve.kind == kind
    assert note.startswith("no [mount]")
    counts, low, high = mixture.band(GRID)
    true = np.array([drive(hour) for hour in GRID])
    assert counts == pytest.approx(true, abs=2.0)
    assert np.all((low < true) & (true < high))
    assert float((high - low).max()) < 8.0


def test_two_peaks_leave_both_open_and_the_band_holds_both() -> None:
    peaks = peaks_of(actuator, -41, 36)
    mixture = mixture_of(candidate_fits(None, SITE, peaks))
    fit, (note,) = choose_fit(None, mixture)
    assert fit.curve.kind == "smooth"
    assert "do not tell" in note
    counts, low, high = mixture.band(GRID)
    true = np.array([actuator(hour) for hour in GRID])
    straight = np.interp(GRID, [-41, 36], [peaks[0].count, peaks[1].count])
    inner = (np.array(GRID) > -41) & (np.array(GRID) < 36)
    assert counts == pytest.approx(true, abs=4.0)  # the likelier one: most drives are actuators
    assert np.all((low < straight) & (straight < high) & (low < true) & (true < high) | ~inner)


def test_weights_are_probabilities() -> None:
    mixture = mixture_of(candidate_fits(None, SITE, peaks_of(worm, -30, 0, 30)))
    assert sum(mixture.weights) == pytest.approx(1.0)
    likeliest = mixture.likeliest()
    assert likeliest.curve.kind == "straight"
    assert mixture.weight_of(likeliest.curve) > 0.98
    assert likeliest.noise_sd == 1.0
