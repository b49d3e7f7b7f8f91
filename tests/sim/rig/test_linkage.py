"""Counts and hour angles both ways, and linkages that cannot work."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from bridge.errors import YardError
from sim.rig.linkage import (
    LinearLinkage,
    Linkage,
    WormLinkage,
    closing_side_mm,
    included_angle_deg,
)

LENGTHS = (520.0, 430.0, 350.0, 560.0)


@st.composite
def linears(draw: st.DrawFn) -> LinearLinkage:
    """Linkages whose stroke stays 2 deg and more from both dead centres."""
    p, q = draw(st.floats(150, 900)), draw(st.floats(150, 900))
    short = closing_side_mm(p, q, draw(st.floats(2, 80)))
    long = closing_side_mm(p, q, draw(st.floats(100, 178)))
    scale, noon = draw(st.floats(0.3, 4)), draw(st.floats(60, 120))
    return LinearLinkage(p, q, short, long - short, scale, noon)


@given(linears(), st.floats(0, 1))
def test_count_to_hour_angle_and_back(linkage: LinearLinkage, share: float) -> None:
    count = share * linkage.stroke_counts
    hour = linkage.hour_angle_deg(count)
    assert linkage.count(hour) == pytest.approx(count, abs=1e-7)


@given(linears(), st.floats(2.5, 177.5))
def test_hour_angle_to_count_and_back(linkage: LinearLinkage, included: float) -> None:
    hour = included - linkage.noon_angle_deg
    assert linkage.hour_angle_deg(linkage.count(hour)) == pytest.approx(hour, abs=1e-7)


@given(linears(), st.floats(0, 0.99), st.floats(0.001, 0.01))
def test_counts_grow_west(linkage: LinearLinkage, share: float, more: float) -> None:
    count = share * linkage.stroke_counts
    further = count + more * linkage.stroke_counts
    assert linkage.hour_angle_deg(further) > linkage.hour_angle_deg(count)


@given(linears(), st.floats(0.01, 0.99))
def test_counts_per_deg_is_the_slope(linkage: LinearLinkage, share: float) -> None:
    hour = linkage.hour_angle_deg(share * linkage.stroke_counts)
    step = 1e-4
    slope = (linkage.count(hour + step) - linkage.count(hour - step)) / (2 * step)
    assert linkage.counts_per_deg(hour) == pytest.approx(slope, rel=1e-5)


@given(st.floats(100, 900), st.floats(100, 900), st.floats(0.01, 179.9))
def test_the_triangle_both_ways(p: float, q: float, angle: float) -> None:
    assume(abs(p - q) > 1.0 or angle > 0.1)
    third = closing_side_mm(p, q, angle)
    assert included_angle_deg(p, q, third) == pytest.approx(angle, abs=1e-4)


@given(st.floats(0.5, 100), st.floats(-2000, 2000), st.floats(-90, 90))
def test_a_worm_is_a_straight_line(scale: float, noon: float, hour: float) -> None:
    worm: Linkage = WormLinkage(scale, noon)
    assert worm.count(0.0) == noon
    assert worm.hour_angle_deg(worm.count(hour)) == pytest.approx(hour, abs=1e-7)
    assert worm.counts_per_deg(hour) == scale


class TestEnds:
    def test_past_the_stroke_but_not_past_dead_centre(self) -> None:
        linkage = LinearLinkage(*LENGTHS, 1.88976, 90)
        assert linkage.hour_angle_deg(-20) < linkage.hour_angle_deg(0)
        assert linkage.count(60.0) > linkage.stroke_counts

    @pytest.mark.parametrize("hour", [90.1, -90.1, 500.0, math.nan])
    def test_no_count_past_dead_centre(self, hour: float) -> None:
        linkage = LinearLinkage(*LENGTHS, 1.88976, 90)
        with pytest.raises(
            YardError, match="past a dead centre of the linkage, allowed is -90 to 90"
        ):
            linkage.count(hour)

    @pytest.mark.parametrize("count", [-492.0, 1135.0, math.nan, math.inf])
    def test_no_hour_angle_where_nothing_closes(self, count: float) -> None:
        linkage = LinearLinkage(*LENGTHS, 1.88976, 90)
        with pytest.raises(YardError, match=r"closes from -491 to 1134 counts; the stroke is 0 to"):
            linkage.hour_angle_deg(count)

    def test_a_dead_centre_holds_nothing(self) -> None:
        linkage = LinearLinkage(*LENGTHS, 1.88976, 90)
        assert linkage.lever_arm_mm(-90.0) == 0.0
        assert LinearLinkage(400, 400, 300, 200, 1, 90).lever_arm_mm(-90.0) == 0.0


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (
            (520, 430, 80, 560, 1.9, 90),
            "retracted_mm: the triangle does not close retracted: .* 80",
        ),
        ((520, 430, 350, 610, 1.9, 90), r"stroke_mm: .* does not close extended: .* 960 mm .*950"),
        ((520, 430, 90, 560, 1.9, 90), "retracted_mm: dead centre retracted: .* 0.00 deg"),
        ((520, 430, 350, 600, 1.9, 90), "stroke_mm: dead centre extended: .* 180.00 deg"),
        ((520, 430, 350, 599.99, 1.9, 90), "stroke_mm: dead centre extended"),
        ((0, 430, 350, 560, 1.9, 90), "frame_pivot_mm 0 is not a number over 0"),
        ((520, -1, 350, 560, 1.9, 90), "dish_pivot_mm -1"),
        ((520, 430, math.nan, 560, 1.9, 90), "retracted_mm nan"),
        ((520, 430, 350, math.inf, 1.9, 90), "stroke_mm inf"),
        ((520, 430, 350, 560, 0, 90), "counts_per_mm 0"),
        ((520, 430, 350, 560, 1.9, 180), "noon_angle_deg 180 is not under 180 deg"),
        ((520, 430, 350, 560, 1.9, 0), "noon_angle_deg 0"),
    ],
)
def test_refuses_a_triangle_that_cannot_work(values: tuple[float, ...], words: str) -> None:
    with pytest.raises(YardError, match=words):
        LinearLinkage(*values)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ((0, 100), "counts_per_deg 0"),
        ((-20, 100), "counts_per_deg -20"),
        ((math.nan, 100), "counts_per_deg nan"),
        ((20, math.inf), "noon_count inf"),
    ],
)
def test_refuses_a_worm_that_cannot_work(values: tuple[float, ...], words: str) -> None:
    with pytest.raises(YardError, match=words):
        WormLinkage(*values)
