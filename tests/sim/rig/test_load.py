"""What pulls at the motor: weight in cells along the arc, and gusts of wind."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.rig.load import Wind, weight_of

POINTS = [(0.0, -0.03), (200.0, 0.01), (600.0, 0.05)]


@pytest.mark.parametrize("cell_counts", [20.0, 25.0])
@pytest.mark.parametrize("x", [-60.0, -10.0, 3.0, 100.0, 199.0, 201.0, 455.0, 599.0, 640.0, 900.0])
def test_weight_is_that_in_the_middle_of_the_cell(x: float, cell_counts: float) -> None:
    """Straight lines between the points and level beyond them, as numpy draws them."""
    weight = weight_of(POINTS, cell_counts, -50.0, 650.0)
    middle = (math.floor(x / cell_counts) + 0.5) * cell_counts
    expected = np.interp(middle, *zip(*POINTS, strict=True))
    assert weight.in_cell(weight.cell(x)) == pytest.approx(float(expected))


def test_the_load_changes_at_the_next_cell_that_way_and_no_more_past_the_last() -> None:
    weight = weight_of(POINTS, 20.0, -40.0, 100.0)  # cells from -40 to 100
    assert len(weight.torque_nm) == 7
    assert weight.boundary(weight.cell(45.0), 1) == 60.0
    assert weight.boundary(weight.cell(45.0), -1) == 40.0
    assert weight.boundary(weight.cell(85.0), 1) == math.inf  # in the last cell
    assert weight.boundary(weight.cell(85.0), -1) == 80.0
    assert weight.boundary(weight.cell(-35.0), -1) == -math.inf  # in the first one
    assert weight.boundary(weight.cell(-35.0), 1) == -20.0
    assert weight.boundary(weight.cell(190.0), 1) == math.inf  # past the last
    assert weight.boundary(weight.cell(190.0), -1) == 80.0
    assert weight.boundary(weight.cell(-90.0), -1) == -math.inf  # before the first
    assert weight.boundary(weight.cell(-90.0), 1) == -20.0


@pytest.mark.parametrize("points", [[], [(0.0, 0.0), (500.0, 0.0)]])
def test_without_weight_nothing_ever_changes(points: list[tuple[float, float]]) -> None:
    weight = weight_of(points, 20.0, -5.0, 1058.0)
    assert [weight.in_cell(cell) for cell in (-1, 0, 30)] == [0.0, 0.0, 0.0]
    assert weight.boundary(weight.cell(500.0), 1) == math.inf
    assert weight.boundary(weight.cell(-500.0), -1) == -math.inf


def test_still_air_never_turns() -> None:
    wind = Wind()
    assert (wind.now_nm, wind.until_s) == (0.0, math.inf)


def test_gusts_are_as_long_and_as_strong_as_asked() -> None:
    """Lengths are exponential with their mean, strengths even between both ways."""
    wind = Wind(0.006, 8.0, seed=4)
    begun_s = 0.0
    lengths, strengths = [], []
    for _ in range(4000):
        lengths.append(wind.until_s - begun_s)
        strengths.append(wind.now_nm)
        begun_s = wind.until_s
        wind.turn()
    assert np.mean(lengths) == pytest.approx(8.0, rel=0.05)
    assert np.std(lengths) == pytest.approx(8.0, rel=0.08)
    assert min(lengths) == pytest.approx(0.1)
    assert np.max(np.abs(strengths)) <= 0.006
    assert np.mean(strengths) == pytest.approx(0.0, abs=0.0002)
    assert np.std(strengths) == pytest.approx(0.006 / math.sqrt(3.0), rel=0.05)


def test_the_same_seed_blows_the_same() -> None:
    one, two, other = Wind(0.006, 8.0, 1), Wind(0.006, 8.0, 1), Wind(0.006, 8.0, 2)
    assert (one.now_nm, one.until_s) == (two.now_nm, two.until_s) != (other.now_nm, other.until_s)


def test_the_first_gust_begins_at_once_and_is_as_long_as_any() -> None:
    ends_s = [Wind(0.006, 8.0, seed).until_s for seed in range(2000)]
    assert min(ends_s) == pytest.approx(0.1)
    assert np.mean(ends_s) == pytest.approx(8.0, abs=0.6)
