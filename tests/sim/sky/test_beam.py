"""Properties of the beam and refusals of dishes that have none."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import YardError
from sim.sky.beam import Reflector

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
    assert dish.off_axis_dbi(dish.off_axis_deg(loss)) == pytest.approx(dish.gain_dbi - loss)


@given(dishes)
def test_the_pattern_has_no_steps_out_to_the_far_lobes(dish: Reflector) -> None:
    steps = [dish.off_axis_dbi(step / 100) for step in range(2000)]
    assert max(abs(a - b) for a, b in pairwise(steps)) < 2.0


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((0.0, 12.0), "diameter_m 0 is not within 0.1 to 100 m; check its unit"),
        ((120.0, 12.0), "diameter_m 120"),
        ((1.2, 12000.0), "frequency_ghz 12000 is not within 0.5 to 100 GHz"),
        ((math.nan, 12.0), "diameter_m nan"),
        ((1.2, 12.0, 1.5), "efficiency 1.5"),
        ((0.45, 4.0), r"diameter_m 0.45 is only 6.0 wavelengths at 4 GHz; .* 0.82 m"),
    ],
)
def test_refuses_what_is_no_dish(values: tuple[float, ...], words: str) -> None:
    with pytest.raises(YardError, match=words):
        Reflector(*values)
