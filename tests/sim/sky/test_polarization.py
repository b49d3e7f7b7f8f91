"""A feed turned away from a linear wave: what it takes of it and of the crossed one."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.sky.polarization import power_taken


@given(st.floats(-90, 90), st.floats(0, 0.1))
def test_a_turned_feed_neither_makes_nor_loses_power(error: float, leak: float) -> None:
    both = power_taken(error, leak) + power_taken(error + 90.0, leak)
    assert both == pytest.approx(1.0 + leak)


@given(st.floats(0, 44), st.floats(0.5, 1))
def test_discrimination_falls_with_the_error(error: float, more: float) -> None:
    def discrimination(at: float) -> float:
        return power_taken(at, 0.0016) / power_taken(at + 90.0, 0.0016)

    assert discrimination(error + more) < discrimination(error)
    assert 10.0 * math.log10(discrimination(error)) <= 28.0  # 0.0016 is 28 dB


def test_a_perfect_feed_on_its_angle_takes_nothing_of_the_crossed_wave() -> None:
    assert power_taken(0.0) == 1.0
    assert power_taken(90.0) == pytest.approx(0.0, abs=1e-30)
