"""Properties of the beam and refusals of dishes that have none."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import YardError
from sim.sky.beam import Reflector, discrimination_db, noise_dbw, power_db, rotation

dishes = st.builds(
    Reflector,
    diameter_m=st.floats(1.0, 6.0),
    frequency_ghz=st.floats(3.7, 20.0),
    efficiency=st.floats(0.4, 0.8),
)


@given(dishes, st.floats(0, 60), st.floats(0, 10))
def test_the_pattern_never_rises_to_seventy_degrees(
    dish: Reflector, off: float, further: float
) -> None:
    assert dish.off_axis_dbi(off + further) <= dish.off_axis_dbi(off) + 1e-9
    assert dish.off_axis_dbi(-off) == dish.off_axis_dbi(off)


@given(dishes, st.floats(0, 3))
def test_a_loss_and_its_width(dish: Reflector, loss: float) -> None:
    assert dish.off_axis_dbi(dish.width_deg(loss)) == pytest.approx(dish.gain_dbi - loss)


@given(dishes)
def test_the_pattern_has_no_steps_out_to_the_far_lobes(dish: Reflector) -> None:
    steps = [dish.off_axis_dbi(step / 100) for step in range(2000)]
    assert max(abs(a - b) for a, b in pairwise(steps)) < 2.0


@given(st.floats(-90, 90), st.floats(10, 60))
def test_a_turned_feed_neither_makes_nor_loses_power(error: float, isolation: float) -> None:
    taken = rotation(error, isolation)
    total = 10 ** (taken.co_db / 10) + 10 ** (taken.cross_db / 10)
    assert total == pytest.approx(1 + 10 ** (-isolation / 10))


@given(st.floats(0, 44), st.floats(0.5, 1))
def test_discrimination_falls_with_the_error(error: float, more: float) -> None:
    assert discrimination_db(error + more, 28.0) < discrimination_db(error, 28.0)
    assert discrimination_db(error, 28.0) <= 28.0 + 1e-9


def test_a_perfect_feed_on_its_angle() -> None:
    assert discrimination_db(0.0) == math.inf
    assert power_db(0.0) == -math.inf


@given(st.floats(20, 300), st.floats(0, 20), st.floats(0.1, 5))
def test_rain_warms_the_sky(noise_k: float, rain: float, more: float) -> None:
    assert noise_dbw(noise_k, 27, rain + more) > noise_dbw(noise_k, 27, rain)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((0.0, 12.0), "diameter_m 0 is not within 0.1 to 100"),
        ((120.0, 12.0), "diameter_m 120"),
        ((1.2, 12000.0), "frequency_ghz 12000 is not within 0.5 to 100"),
        ((math.nan, 12.0), "diameter_m nan"),
        ((1.2, 12.0, 1.5), "efficiency 1.5"),
        ((0.45, 4.0), r"diameter_m 0.45 is only 6.0 wavelengths at 4 GHz, .* 0.82 m"),
    ],
)
def test_refuses_what_is_no_dish(values: tuple[float, ...], words: str) -> None:
    with pytest.raises(YardError, match=words):
        Reflector(*values)
