"""The drift of many rigs against binomial theory, and each rig against a single one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bridge.errors import YardError
from sim.drift import FaultRates, Fleet, forecast
from sim.rig.motor import plant_of
from sim.rig.move import Mover
from sim.yard import Yard
from sim.yard_files import load_yard

LARKMERE = load_yard("larkmere")
SOUND = FaultRates(missed=0.0, doubled=0.0, impatient=0.0)
CROWDED = LARKMERE.model_copy(  # so near to each other that the motor never runs at full speed
    update={
        "position": tuple(
            row.model_copy(update={"count": count})
            for row, count in zip(LARKMERE.position, (500, 503, 507, 512, 519), strict=False)
        )
    }
)


@pytest.mark.parametrize(
    ("cause", "chance"), [("missed", 1e-4), ("missed", 1e-5), ("doubled", 1e-4)]
)
def test_single_pulses_spread_as_a_binomial(cause: str, chance: float) -> None:
    """sqrt(p n) within 5 %, no mean (computed: each such pulse is one count either way)."""
    habits = replace(SOUND, **{cause: chance})
    found = forecast(LARKMERE, years=0.05, rigs=4000, habits=habits, seed=2)
    expected = math.sqrt(chance * found.pulses)
    share = found.by_cause[cause]
    assert share.std == pytest.approx(expected, rel=0.05)
    assert abs(share.mean) < 4 * expected / math.sqrt(4000)


def test_without_faults_nothing_drifts() -> None:
    """Two of three moves turn back: the middle one of three random places lies between the others
    one time in three."""
    found = forecast(LARKMERE, years=0.1, rigs=300, habits=SOUND)
    assert (found.p05, found.median_counts, found.p95) == (0.0, 0.0, 0.0)
    assert all(share.std == 0.0 == share.mean for share in found.by_cause.values())
    assert found.moves == 730  # 20 a day over a tenth of 365.25 days
    assert found.reversals == pytest.approx(730 * 2 / 3, rel=0.05)


def test_causes_add_up_to_the_error() -> None:
    rng = np.random.default_rng(1)
    habits = FaultRates(1e-3, 1e-3, 0.1, 0.3, 0.4, closures_only=True)
    fleet = Fleet(LARKMERE, 200, habits, rng)
    for _ in range(300):
        fleet.step()
    total = sum(fleet.records.values())
    assert np.array_equal(total, fleet.error)
    assert all(np.any(book) for book in fleet.records.values())


def test_the_band_widens_with_time() -> None:
    """Errors that know nothing of each other add up as a random walk: with the root of time."""
    habits = FaultRates(impatient=0.02)
    found = forecast(LARKMERE, years=1.0, rigs=400, moves_per_day=3.0, habits=habits, seed=3)
    years, p05, _, p95 = np.array(found.band).T
    width = p95 - p05
    assert years == pytest.approx(np.arange(25) / 24, abs=0.001)
    assert width[0] == 0.0
    assert width[24] / width[6] == pytest.approx(2.0, rel=0.15)
    assert width[24] / width[12] == pytest.approx(math.sqrt(2.0), rel=0.15)


@pytest.mark.parametrize("yard", [LARKMERE, CROWDED], ids=["its list", "short moves"])
def test_each_rig_moves_as_a_single_one(yard: Yard) -> None:
    """The same places and true counts as moves worked out one by one, to rounding."""
    fleet = Fleet(yard, 50, SOUND, np.random.default_rng(5))
    rig = yard.rig
    mover = Mover(
        plant_of(yard.motor),
        yard.weight,
        half_close=rig.magnet_closes,
        half_open=rig.magnet_opens,
        brake=False,
    )
    comp = yard.positioner.coast_counts
    for _ in range(40):
        x, truth = fleet.x.copy(), fleet.truth.copy()
        targets = fleet.places[fleet._next]
        fleet.step()
        for n in range(50):
            way = int(targets[n] - truth[n])
            if abs(way) <= comp:  # so near that the controller leaves it
                assert (fleet.truth[n], fleet.x[n]) == (truth[n], x[n])
                continue
            stop = mover.move(float(x[n]), int(truth[n]), 1 if way > 0 else -1, abs(way) - comp)
            assert stop.truth == fleet.truth[n]
            assert stop.x == pytest.approx(fleet.x[n], abs=1e-9)


def test_late_pulses_make_a_one_sided_drift() -> None:
    """A controller that stops counting too soon loses the last pulses; longer waits lose fewer."""
    drifts = []
    for settle_s in (0.25, 0.35, 0.45, 1.0):
        habits = FaultRates(0.0, 0.0, 0.0, settle_s=settle_s)
        drifts.append(abs(forecast(LARKMERE, years=0.03, rigs=50, habits=habits).median_counts))
    assert drifts == sorted(drifts, reverse=True)
    assert drifts[0] > 10.0
    assert drifts[-1] == 0.0


def test_same_seed_same_forecast() -> None:
    one, two = (forecast(LARKMERE, years=0.05, rigs=50, seed=7) for _ in range(2))
    assert one == two


@pytest.mark.parametrize(("years", "rigs"), [(0.0, 10), (-1.0, 10), (100.0, 10), (1.0, 0)])
def test_what_cannot_be_forecast_is_refused(years: float, rigs: int) -> None:
    with pytest.raises(YardError, match="outside"):
        forecast(LARKMERE, years=years, rigs=rigs)


def test_rigs_stay_three_coasts_away_from_their_ends() -> None:
    """Soft limits lie at least three times the coast inside (common practice): 6 counts here."""
    rows = [
        row.model_copy(update={"count": count})
        for row, count in zip(LARKMERE.position, (4, 6, 7, 500, 993, 994, 996), strict=False)
    ]
    fleet = Fleet(
        LARKMERE.model_copy(update={"position": tuple(rows)}),
        10,
        SOUND,
        np.random.default_rng(1),
    )
    assert fleet.places.tolist() == [7, 500, 993]


def test_a_yard_without_a_list_is_visited_in_even_steps() -> None:
    """16 places from 6 counts inside one switch to 6 inside the other."""
    yard = LARKMERE.model_copy(update={"position": ()})
    places = Fleet(yard, 10, SOUND, np.random.default_rng(1)).places
    assert (places[0], places[-1], len(places)) == (6, 994, 16)
    assert set(np.diff(places)) == {65, 66}


def test_closures_counted_both_ways_cost_at_most_one_count_a_reversal() -> None:
    """A reversal over a closed contact shifts the count by one."""
    rates = replace(SOUND, closures_only=True)
    fleet = Fleet(LARKMERE, 400, rates, np.random.default_rng(8))
    for _ in range(200):
        before = fleet.error.copy()
        fleet.step()
        assert np.max(np.abs(fleet.error - before)) <= 1
        assert np.array_equal(np.abs(fleet.truth - np.rint(fleet.x)) <= 1, np.ones(400, dtype=bool))
    assert np.count_nonzero(fleet.error) > 200
