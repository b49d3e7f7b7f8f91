"""The supply under the tone: taken out by arithmetic, its changes told with time and level.

Means come every 0.5 ms; the levels of 13 and 18 V and the threshold of 15 V are the standard's
(from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.event import Supply
from bridge.signal.supply import SupplyTracker, classify, reject_line, remove_supply

MEAN_S = 0.5e-3


def track(volts: np.ndarray, start_s: float = 0.0, cut: int = 37) -> tuple[SupplyTracker, list]:
    tracker = SupplyTracker(MEAN_S, start_s)
    events: list[Supply] = []
    for first in range(0, len(volts), cut):
        events += tracker.push(volts[first : first + cut])
    return tracker, events + list(tracker.finish())


def levels(*parts: tuple[float, float]) -> np.ndarray:
    """(V, s) one after the other, a mean each MEAN_S."""
    return np.concatenate([np.full(round(length_s / MEAN_S), volts) for volts, length_s in parts])


def rounded(events: list[Supply]) -> list[tuple[float, float]]:
    return [(round(event.t_s, 4), round(event.volts, 3)) for event in events]


def test_the_running_mean_is_that_of_a_millisecond_either_side() -> None:
    samples = np.random.default_rng(1).standard_normal(200).astype(np.float32)
    freed = remove_supply(samples, 20e3)  # 20 samples either side
    for n in (0, 3, 20, 100, 179, 180, 199):
        around = samples[max(n - 20, 0) : n + 21].astype(np.float64)
        assert freed[n] == pytest.approx(samples[n] - around.mean())


def test_taps_are_blind_to_a_line_and_keep_the_rest_of_the_wave() -> None:
    at = np.arange(23.0)
    window = np.hanning(25)[1:-1]
    wave = np.cos(2 * np.pi * at / 11)
    taps = reject_line(wave, window)
    assert taps @ np.ones(23) == pytest.approx(0, abs=1e-12)
    assert taps @ at == pytest.approx(0, abs=1e-10)
    line = np.polynomial.Polynomial.fit(at, wave, 1, w=np.sqrt(window))  # an independent fit
    assert taps == pytest.approx(window * (wave - line(at)))


@pytest.mark.parametrize(
    ("volts", "state"), [(0.0, 0), (7.9, 0), (8.0, 1), (14.9, 1), (15.0, 2), (19.0, 2)]
)
def test_states_of_the_supply(volts: float, state: int) -> None:
    assert classify(volts) == state


def test_changes_are_told_when_they_began() -> None:
    volts = levels((13.1, 0.3), (17.8, 0.2), (13.4, 0.2), (0.0, 0.1))
    _, events = track(volts, start_s=2.0)
    assert rounded(events) == [(2.0, 13.1), (2.3, 17.8), (2.5, 13.4), (2.7, 0.0)]


def test_a_slow_change_begins_where_the_level_leaves_the_old_one() -> None:
    """A ramp of 5 V in 20 ms leaves 13 V by 0.4 V after 1.6 ms (computed)."""
    ramp = 13 + 5 * np.arange(40) / 40
    _, events = track(np.concatenate((levels((13.0, 0.3)), ramp, levels((18.0, 0.3)))))
    assert [round(event.volts, 2) for event in events] == [13.0, 18.0]
    assert events[1].t_s == pytest.approx(0.3016, abs=1e-3)


@pytest.mark.parametrize("dip_s", [2e-3, 8e-3])
def test_a_dip_is_no_change(dip_s: float) -> None:
    _, events = track(levels((17.8, 0.3), (13.0, dip_s), (17.8, 0.3)))
    assert rounded(events) == [(0.0, 17.8)]


def test_an_overshoot_is_no_level() -> None:
    _, events = track(levels((13.0, 0.3), (19.5, 4e-3), (18.0, 0.3)))
    assert rounded(events) == [(0.0, 13.0), (0.3, 18.0)]


def test_a_slow_drift_is_followed_without_a_change() -> None:
    """From 13.0 to 14.4 V in two seconds: 13.013 V after 19 ms, when the first level settles."""
    drift = np.linspace(13.0, 14.4, 4000)
    tracker, events = track(np.concatenate((drift, levels((18.0, 0.2)))))
    assert rounded(events) == [(0.0, 13.013), (2.0, 18.0)]
    assert tracker.level(1.0, 1.01) == pytest.approx(13.7, abs=0.01)


def test_a_coupled_step_that_dies_away_is_no_supply() -> None:
    """Behind a coupling of 1 Hz a step decays by e**-1 in 0.16 s (computed)."""
    at_s = np.arange(2000) * MEAN_S
    decaying = 13 * np.exp(-2 * np.pi * 1.0 * at_s)
    tracker, events = track(np.concatenate((levels((0.0, 0.2)), decaying)))
    assert events == []
    assert tracker.level(0.1, 0.3) is None


def test_a_supply_switched_on_is_told() -> None:
    tracker, events = track(levels((0.0, 0.2), (13.0, 0.6)))
    assert rounded(events) == [(0.2, 13.0)]
    assert tracker.level(0.5, 0.51) == pytest.approx(13.0)


def test_a_second_step_counts_after_one_died_away() -> None:
    at_s = np.arange(800) * MEAN_S
    decaying = 13 * np.exp(-2 * np.pi * 2.0 * at_s)
    _, events = track(np.concatenate((levels((0.0, 0.2)), decaying, levels((0, 0.1), (13, 0.6)))))
    assert rounded(events) == [(0.7, 13.0)]


def test_the_level_between_two_times_is_their_median() -> None:
    volts = levels((13.0, 0.1), (13.2, 0.1), (13.3, 0.1))
    tracker, _ = track(volts, start_s=1.0)
    assert tracker.level(1.02, 1.05) == pytest.approx(13.0)
    assert tracker.level(1.15, 1.29) == pytest.approx(13.3)
    assert tracker.level(1.11, 1.27) == pytest.approx(13.2)
    assert tracker.level(5.0, 5.1) is None


def test_levels_of_the_last_seconds_are_remembered() -> None:
    tracker, _ = track(levels((13.0, 2.0), (14.0, 8.0)))
    assert tracker.level(1.0, 1.1) is None
    assert tracker.level(7.0, 7.1) == pytest.approx(14.0)


def test_no_change_comes_before_the_judged_time() -> None:
    tracker = SupplyTracker(MEAN_S, 0.0)
    volts = levels((13.0, 0.5), (18.0, 0.5), (13.0, 0.5))
    told = []
    for first in range(0, len(volts), 20):
        events = list(tracker.push(volts[first : first + 20]))
        assert all(event.t_s >= before_s for event in events for before_s in told[-1:])
        told.append(tracker.judged_s)
        assert tracker.judged_s <= (first + 20) * MEAN_S
    assert told[-1] == pytest.approx(1.5 - 2 * 0.025, abs=2e-3)
