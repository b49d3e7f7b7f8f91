"""The actuator's triangle against known triangles and a solver that knows only coordinates."""

from __future__ import annotations

import math

import pytest

from bridge.errors import YardError
from sim.rig.linkage import LinearLinkage, included_angle_deg

# Law of cosines, computed: sides p, q and actuator c in m, included angle, deg of arc per m
TRIANGLES = [
    (0.5, 0.4, 0.3, 36.869898, 143.239449),
    (0.9, 0.3, 0.9, 80.405932, 193.695087),
]


def across(p: float, q: float, c: float) -> LinearLinkage:
    """A linkage whose middle of the stroke is c, in m, one count a millimetre."""
    angle = included_angle_deg(p * 1000, q * 1000, c * 1000)
    return LinearLinkage(p * 1000, q * 1000, c * 1000 - 20, 40, 1.0, angle)


@pytest.mark.parametrize(("p", "q", "c", "angle", "deg_per_m"), TRIANGLES)
def test_angles_and_slopes(p: float, q: float, c: float, angle: float, deg_per_m: float) -> None:
    assert included_angle_deg(p, q, c) == pytest.approx(angle, abs=5e-7)
    linkage = across(p, q, c)
    assert linkage.count(0.0) == pytest.approx(20.0, abs=1e-9)
    assert 1000.0 / linkage.counts_per_deg(0.0) == pytest.approx(deg_per_m, abs=5e-7)


def test_lever_arm_of_the_right_angle() -> None:
    """3-4-5: the actuator of 0.3 pushes square to the side of 0.4."""
    assert across(0.5, 0.4, 0.3).lever_arm_mm(0.0) == pytest.approx(400.0, abs=1e-9)


@pytest.mark.parametrize(
    ("c", "angle"), [(0.849, 173.899311), (0.8499, 178.071102), (0.3501, 1.237843)]
)
def test_near_dead_centre(c: float, angle: float) -> None:
    """Computed, sides .6 and .25; near the end pi - sqrt(2 (p + q) e / (p q)) holds."""
    assert included_angle_deg(0.6, 0.25, c) == pytest.approx(angle, abs=5e-7)
    if c > 0.84:
        short = 0.85 - c
        series = 180.0 - math.degrees(math.sqrt(2 * 0.85 * short / (0.6 * 0.25)))
        assert included_angle_deg(0.6, 0.25, c) == pytest.approx(series, abs=0.01)


def test_dead_centres_are_straight_and_folded() -> None:
    """Computed: an unguarded arc cosine gives 179.9999988 or fails here; 1e-5 deg is asked."""
    assert included_angle_deg(0.6, 0.25, 0.85) == pytest.approx(180.0, abs=1e-5)
    assert included_angle_deg(0.6, 0.25, 0.35) == pytest.approx(0.0, abs=1e-5)


def test_rounding_never_opens_a_straight_triangle() -> None:
    """Some of these cosines round past 1: an unguarded arc cosine fails on them."""
    past = 0
    for tenths in range(1500, 9000, 137):
        for other in range(1500, 9000, 211):
            p, q = tenths / 10, other / 10
            cosine = (p * p + q * q - (p + q) * (p + q)) / (2 * p * q)
            past += cosine < -1.0
            assert included_angle_deg(p, q, p + q) == pytest.approx(180.0, abs=1e-5)
            assert included_angle_deg(p, q, abs(p - q)) == pytest.approx(0.0, abs=1e-5)
    assert past > 0


@pytest.mark.parametrize("c", [0.3499, 0.8501, 0.0, -0.5, math.nan, math.inf])
def test_no_triangle_no_angle(c: float) -> None:
    with pytest.raises(YardError, match="does not close"):
        included_angle_deg(0.6, 0.25, c)


def test_against_a_root_finder_on_coordinates() -> None:
    """scipy brentq on the distance between two points; no law of cosines in it."""
    optimize = pytest.importorskip("scipy.optimize")
    linkage = LinearLinkage(520, 430, 350, 560, 48 / 25.4, 90)

    def too_long(hour_deg: float, length_mm: float) -> float:
        angle = math.radians(90 + hour_deg)
        return math.dist((520, 0), (430 * math.cos(angle), 430 * math.sin(angle))) - length_mm

    for count in range(0, 1058, 23):
        length_mm = 350 + count * 25.4 / 48
        hour = optimize.brentq(too_long, -89, 89, args=(length_mm,), xtol=1e-13, rtol=1e-15)
        assert linkage.hour_angle_deg(count) == pytest.approx(hour, abs=1e-10)
        step = 1e-4
        slope = (too_long(hour + step, 0) - too_long(hour - step, 0)) / (2 * step)
        assert linkage.counts_per_deg(hour) == pytest.approx(slope * 48 / 25.4, rel=1e-7)
