"""What the meter shows: its steps, its ripple, its floor and its ceiling."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.sky.meter import Meter


def test_reads_in_steps() -> None:
    assert Meter().show(50.0) == 16.9
    assert Meter(resolution_db=0.5).show(50.0) % 0.5 == 0.0


def test_ripples_by_the_sample_it_is_given() -> None:
    calm, high, low = (Meter(ripple_db=0.5).show(50.0, n) for n in (0.0, 1.0, -1.0))
    assert high - calm == pytest.approx(0.5)
    assert calm - low == pytest.approx(0.5)
    assert Meter(ripple_db=0.5).show(0.0, -3.0) == 0.0


@given(st.floats(0, 1e6), st.floats(1.05, 10))
def test_more_signal_never_reads_less(ratio: float, more: float) -> None:
    assert Meter().show(ratio * more) >= Meter().show(ratio)
    assert 0.0 <= Meter().show(ratio) <= 30.0


def test_is_honest_in_the_middle() -> None:
    """From 9 to 20 dB within half a dB; it flatters below and limits above."""
    for db in range(9, 21):
        assert Meter().show(10 ** (db / 10)) == pytest.approx(db, abs=0.55)
