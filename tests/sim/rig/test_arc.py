"""Arcs against their own equation of motion, wherever the numbers lie."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from sim.rig.arc import (
    coast_shape,
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


@pytest.mark.parametrize(
    ("w0", "a", "k", "time_s", "counts"),
    [
        (0.0, -1.0, 0.5, 0.0, 0.0),  # stands already
        (3.0, 1.0, 0.5, math.inf, math.inf),  # is pushed on
        (3.0, 0.0, 0.0, math.inf, math.inf),  # nothing slows it
        (3.0, 0.0, 0.5, math.inf, 6.0),  # drag alone: never at rest, never past w0/k
        (3.0, -1.0, 0.5, 2.0 * math.log(2.5), 6.0 - 4.0 * math.log(2.5)),
    ],
)
def test_time_and_distance_to_rest(
    w0: float, a: float, k: float, time_s: float, counts: float
) -> None:
    """T = ln(1 + w k/a)/k and X = (w - a T)/k, by hand."""
    assert time_to_rest(w0, a, k) == pytest.approx(time_s)
    assert distance_to_rest(w0, a, k) == pytest.approx(counts)


@pytest.mark.parametrize(
    ("w0", "a", "k", "w", "time_s"),
    [
        (0.0, 2.0, 0.0, 6.0, 3.0),
        (6.0, -2.0, 0.0, 0.0, 3.0),
        (0.0, 2.0, 0.0, -1.0, math.inf),  # the other way
        (5.0, 0.0, 0.0, 6.0, math.inf),  # keeps its speed
        (0.0, 2.0, 0.5, 2.0, 2.0 * math.log(2.0)),  # to half of the steady speed 4
        (0.0, 2.0, 0.5, 4.0, math.inf),  # the steady speed is never quite reached
        (0.0, 2.0, 0.5, 5.0, math.inf),
        (8.0, 2.0, 0.5, 6.0, 2.0 * math.log(2.0)),  # slows down to 4, half way
        (8.0, 2.0, 0.5, 3.0, math.inf),
        (4.0, 2.0, 0.5, 5.0, math.inf),  # steady already
    ],
)
def test_time_to_a_speed(w0: float, a: float, k: float, w: float, time_s: float) -> None:
    assert time_to_speed(w0, a, k, w) == pytest.approx(time_s)


@pytest.mark.parametrize(
    ("w0", "a", "k", "distance", "time_s"),
    [
        (0.0, 2.0, 0.0, 0.0, 0.0),
        (3.0, 0.0, 0.0, 6.0, 2.0),
        (3.0, 0.0, 0.5, 3.0, 2.0 * math.log(2.0)),  # half of the 6 counts that it creeps
        (3.0, 0.0, 0.5, 6.0, math.inf),
        (3.0, 0.0, 0.5, 7.0, math.inf),
        (4.0, 2.0, 0.5, 10.0, 2.5),  # at steady speed
        (0.0, -1.0, 0.5, 1.0, math.inf),  # nothing moves it
    ],
)
def test_time_to_a_distance(w0: float, a: float, k: float, distance: float, time_s: float) -> None:
    assert time_to_distance(w0, a, k, distance) == pytest.approx(time_s)


@pytest.mark.parametrize("ratio", [1e-9, 0.01, 0.049999, 0.050001, 1.0, 20.0])
def test_shape_of_a_coast(ratio: float) -> None:
    """It equals the mean of u/(1 + r u) over u from 0 to 1, an integral worked out here."""
    steps = 20_000
    middles = ((n + 0.5) / steps for n in range(steps))
    integral = sum(u / (1.0 + ratio * u) for u in middles) / steps
    assert coast_shape(ratio) == pytest.approx(integral, rel=1e-7)
    assert coast_shape(0.0) == 0.5


@pytest.mark.parametrize("u", [-0.0499, -0.01, 1e-5, 0.003, 0.0499])
def test_short_arcs_keep_every_digit(u: float) -> None:
    """The closed forms with 50 digits, where in double precision they lose theirs."""
    with localcontext() as context:
        context.prec = 50
        k, s = Decimal(u), Decimal(2)
        k /= s
        e1 = (1 - (-k * s).exp()) / k
        e2 = (s - e1) / k
        found = ease(float(k), 2.0)
        assert found == (pytest.approx(float(e1), rel=1e-15), pytest.approx(float(e2), rel=1e-15))
        if u > 0.0:
            r = Decimal(u)
            shape = (r - (1 + r).ln()) / (r * r)
            assert coast_shape(u) == pytest.approx(float(shape), rel=1e-15)
