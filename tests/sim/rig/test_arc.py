"""Arcs against their own equation of motion, wherever the numbers lie."""

from __future__ import annotations

import math

from hypothesis import assume, given
from hypothesis import strategies as st

from sim.rig.arc import (
    distance_to_rest,
    ease,
    time_to_distance,
    time_to_rest,
    time_to_speed,
)

speeds = st.floats(0.0, 20.0)
pushes = st.one_of(st.just(0.0), st.floats(1e-3, 200.0), st.floats(-100.0, -1e-3))
drags = st.one_of(st.just(0.0), st.floats(1e-6, 0.1), st.floats(0.1, 40.0))
distances = st.floats(1e-6, 2000.0)


def place(w0: float, a: float, k: float, s: float) -> float:
    e1, e2 = ease(k, s)
    return w0 * e1 + a * e2


def speed(w0: float, a: float, k: float, s: float) -> float:
    return w0 + (a - k * w0) * ease(k, s)[0]


@given(speeds, pushes, drags, distances)
def test_time_to_a_distance_leads_there(w0: float, a: float, k: float, distance: float) -> None:
    assume(w0 > 1e-3 or a > 1e-3)
    s = time_to_distance(w0, a, k, distance)
    if math.isinf(s):
        assert distance >= distance_to_rest(w0, a, k)
        return
    w = speed(w0, a, k, s)
    assert w >= -1e-6
    if w > 1e-3:
        assert abs(place(w0, a, k, s) - distance) / w < 1e-9


@given(st.floats(1e-3, 20.0), st.floats(-100.0, -1e-2), drags)
def test_rest_is_where_the_speed_ends(w0: float, a: float, k: float) -> None:
    s = time_to_rest(w0, a, k)
    assert abs(speed(w0, a, k, s)) < 1e-9 * max(1.0, w0)
    assert math.isclose(place(w0, a, k, s), distance_to_rest(w0, a, k), rel_tol=1e-9)


@given(speeds, pushes, drags, st.floats(0.0, 20.0))
def test_time_to_a_speed_leads_to_it(w0: float, a: float, k: float, w: float) -> None:
    s = time_to_speed(w0, a, k, w)
    if math.isfinite(s) and s < 1e6:
        assert math.isclose(speed(w0, a, k, s), w, rel_tol=1e-6, abs_tol=1e-6)


def test_series_and_closed_form_meet() -> None:
    """The two forms of `ease` agree where one hands over to the other."""
    below, above = ease(0.05 * (1 - 1e-12), 1.0), ease(0.05 * (1 + 1e-12), 1.0)
    assert math.isclose(below[0], above[0], rel_tol=1e-11)
    assert math.isclose(below[1], above[1], rel_tol=1e-11)


def test_no_drag_is_school_physics() -> None:
    assert ease(0.0, 3.0) == (3.0, 4.5)
    assert time_to_rest(8.0, -2.0, 0.0) == 4.0
    assert distance_to_rest(8.0, -2.0, 0.0) == 16.0
    assert math.isclose(time_to_distance(8.0, -2.0, 0.0, 16.0), 4.0)
    assert math.isinf(time_to_distance(8.0, -2.0, 0.0, 16.1))
