"""What is considered of taught counts: odds and shifts beforehand, and the sentence of each."""

from __future__ import annotations

import math
from datetime import date
from typing import get_args

import pytest

from sim.counts.fit import Peak
from sim.counts.hypotheses import Code, Hypothesis, Neighbour, describe, hypotheses_of

ELM = Neighbour(5, "Elm", -20.1)
HERE = Peak(6, -15.0, 440.0)


def considered(
    peaks: list[Peak], *listed: Neighbour, approach: str | None = None, per_deg: float = 12.0
) -> list[Hypothesis]:
    return hypotheses_of(peaks, listed, lambda _: per_deg, approach)


def of(code: Code, hypotheses: list[Hypothesis]) -> list[Hypothesis]:
    return [hypothesis for hypothesis in hypotheses if hypothesis.code == code]


def odds(hypotheses: list[Hypothesis]) -> float:
    return math.fsum(math.exp(hypothesis.log_odds) for hypothesis in hypotheses)


@pytest.mark.parametrize(("approach", "signs"), [("west", [-1]), ("east", [1]), (None, [-1, 1])])
def test_backlash_has_a_sign_where_the_approach_is_known(
    approach: str | None, signs: list[int]
) -> None:
    # Backlash 1 to 4 counts: mean 2.5 and the standard deviation of four equal chances, common
    # practice. After arriving west the same place, met eastward, reads lower.
    sides = of("other side", considered([HERE], ELM, approach=approach))
    assert [side.shift_counts for side in sides] == [sign * 2.5 for sign in signs]
    assert {side.shift_sd_counts for side in sides} == {1.1}
    assert math.sqrt(sum((n - 2.5) ** 2 for n in (1, 2, 3, 4)) / 4) == pytest.approx(1.1, abs=0.02)
    assert odds(sides) == pytest.approx(0.06)


def test_a_dish_that_arrives_from_either_side_has_no_other_side() -> None:
    assert not of("other side", considered([HERE], ELM, approach="either"))


def test_one_spacing_either_way_to_a_satellite_not_listed() -> None:
    # Neighbours stand 2.2 to 3.4 deg apart on the axis: common practice.
    east, west = of("unlisted", considered([HERE], per_deg=10.0))
    assert (east.shift_counts, west.shift_counts) == (-29.0, 29.0)
    assert east.shift_sd_counts == west.shift_sd_counts == 5.0
    assert odds([east, west]) == pytest.approx(0.003)
    (other,) = of("unexplained", considered([HERE]))
    assert (other.shift_counts, other.shift_sd_counts) == (0.0, 40.0)
    assert odds([other]) == pytest.approx(0.003)


def test_only_satellites_nearby_are_mistaken_for_another() -> None:
    away = (-8.1, -7.9, -6.0, -3.0, -0.4, 0.6, 2.0, 8.0)
    listed = [Neighbour(n, f"S{n}", HERE.hour_angle_deg + off) for n, off in enumerate(away, 20)]
    found = of("neighbour", considered([HERE], *listed, Neighbour(6, "Fir", -15.0)))
    # the four nearest, less the one too near to tell apart
    assert [h.mistaken_for.number for h in found if h.mistaken_for] == [25, 26, 23]
    assert odds(found) == pytest.approx(0.02)
    edges = [Neighbour(1, "E", -15.0 - 8.0), Neighbour(2, "W", -15.0 + 8.01)]
    (only,) = of("neighbour", considered([HERE], *edges))
    assert only.mistaken_for == edges[0]


def row(*days: int | None) -> list[Peak]:
    """Peaks from west to east, taught on these days of a month."""
    return [
        Peak(n, -float(n), 0.0, None if day is None else date(2026, 5, day))
        for n, day in enumerate(days)
    ]


def test_older_peaks_are_wrong_together_and_a_single_newer_one_alone() -> None:
    found = considered(row(4, 9, 4, 20, 20))
    assert [h.peaks for h in of("lost counts", found)] == [(0, 2), (0, 1, 2)]
    assert odds(of("lost counts", found)) == pytest.approx(0.05)
    assert {h.shift_sd_counts for h in of("lost counts", found)} == {40.0}
    single = of("lost since", considered(row(4, 4, 4, 20)))
    assert [h.peaks for h in single] == [(3,)]
    assert odds(single) == pytest.approx(0.05)
    assert single[0].shift_sd_counts == 40.0


def test_few_peaks_fall_into_no_parts() -> None:
    for peaks in (row(4, 9, 9), row(None, None, None, None), row(4, 4, 4, 4)):
        assert all(len(h.peaks) == 1 for h in considered(peaks))
        assert not of("lost since", considered(peaks))


@pytest.mark.parametrize("days", [(None,) * 6, (4,) * 6, (4, 4, 4, 9, 9, None)])
def test_without_dates_the_smaller_part_of_the_arc_is_wrong(days: tuple[int | None, ...]) -> None:
    found = of("lost on the way", considered(row(*days)))
    assert [h.peaks for h in found] == [(4, 5), (3, 4, 5), (0, 1)]
    assert odds(found) == pytest.approx(0.01)
    assert {h.shift_sd_counts for h in found} == {40.0}


@pytest.mark.parametrize("code", get_args(Code))
@pytest.mark.parametrize("sure", [True, False])
def test_every_sentence_tells_how_far_and_which_way(code: Code, sure: bool) -> None:
    text = describe(Hypothesis(code, (0,), 0.0, mistaken_for=ELM), -12.3, sure)
    assert "12 counts east" in text
    assert ("perhaps" in text) is not sure
    assert "12 counts west" in describe(Hypothesis(code, (0,), 0.0, mistaken_for=ELM), 12.3, sure)


def test_each_reason_has_its_sentence() -> None:
    ends = {
        "neighbour": "taught on its neighbour 5 Elm; find it again and store it anew",
        "unlisted": "about one spacing: taught on a neighbour not in the list",
        "other side": "arrived from the other side (backlash); re-peak it from the usual side",
        "unexplained": "for no reason this list shows; re-peak it",
        "lost counts": "counts lost since; see positions shift",
        "lost since": "re-peak one of the others to see",
        "lost on the way": "re-peak one in each to see which is stale",
    }
    assert set(ends) == set(get_args(Code))
    for code, end in ends.items():
        hypothesis = Hypothesis(code, (0,), 0.0, mistaken_for=ELM)  # type: ignore[arg-type]
        assert describe(hypothesis, 3.0).endswith(end)
