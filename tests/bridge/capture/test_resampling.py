"""Rows with times -> even samples: as they stand where they fit, straight lines across gaps."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.capture.table import resampling
from bridge.capture.table.resampling import resample
from bridge.capture.table.time_base import TimeBase
from bridge.errors import CaptureError

RATE_HZ = 1000.0
START_S = 2.0
EVEN = TimeBase(0, 1.0, RATE_HZ, START_S, is_even=True, grain_s=1e-3)
UNEVEN = TimeBase(0, 1.0, RATE_HZ, START_S, is_even=False, grain_s=1e-6)
Reals = np.ndarray[Any, Any]


def rows(places: list[float], values: list[float], size: int = 1000) -> list[tuple[Reals, Reals]]:
    """Rows at places counted in samples, `size` at a time."""
    times_s = START_S + np.array(places) / RATE_HZ
    return [
        (times_s[n : n + size], np.array(values[n : n + size], float))
        for n in range(0, len(places), size)
    ]


def samples(places: list[float], values: list[float], base: TimeBase = EVEN, size: int = 1000):
    chunks = list(resample(rows(places, values, size), base, 7.0, "x.csv"))
    assert all(chunk.dtype == np.float32 and chunk.size for chunk in chunks)
    return np.concatenate(chunks).tolist() if chunks else []


def test_rows_in_their_places_are_the_samples() -> None:
    places = [0.0, 1.1, 1.9, 3.0, 4.4]
    assert samples(places, [5, 6, 9, -2, 4]) == [5, 6, 9, -2, 4]


def test_a_gap_is_bridged_by_a_straight_line() -> None:
    assert samples([0, 1, 2, 5, 6], [0, 10, 20, 50, 0]) == [0, 10, 20, 30, 40, 50, 0]
    assert samples([0, 1, 3, 5, 6], [0, 10, 30, 10, 0]) == [0, 10, 20, 30, 20, 10, 0]


def test_half_a_sample_is_the_limit_of_a_place() -> None:
    assert samples([0, 1.45, 2.45], [0, 10, 20]) == [0, 10, 20]
    assert samples([0, 1.55, 2.55], [0, 10, 20]) == [0, 5, 10, 20]
    exact = TimeBase(0, 1.0, 1024.0, 0.0, is_even=True, grain_s=1 / 1024)  # halves are exact
    given_rows = [(np.array([0, 1.5]) / 1024, np.array([0.0, 10.0]))]
    assert np.concatenate(list(resample(given_rows, exact, 0.0, "x.csv"))).tolist() == [0, 5, 10]


def test_rows_that_come_too_early_are_left_out() -> None:
    assert samples([0, 1, 1.3, 2, 3], [0, 10, 99, 20, 30]) == [0, 10, 20, 30]


def test_rows_before_the_first_one_have_its_value() -> None:
    assert samples([3, 4], [7, 8]) == [7, 7, 7, 7, 8]


def test_rounded_times_may_lie_further_off() -> None:
    coarse = TimeBase(0, 1.0, RATE_HZ, START_S, True, 1e-3, off_samples=0.4)
    places = [0, 2.2, 1.8, 4.2]
    assert samples(places, [1, 2, 3, 4], coarse) == [1, 2, 3, 4]
    assert samples([0, 2.35], [1, 2], coarse) == [1, 1.5, 2]


def test_times_that_repeat_may_run_away_by_a_hundred_samples_and_a_fiftieth() -> None:
    repeats = TimeBase(0, 1.0, RATE_HZ, START_S, True, 1e-3, repeats=True)
    ahead = [0, 1, 2 + 99.0, 3 + 99.0]
    assert samples(ahead, [1, 2, 3, 4], repeats) == [1, 2, 3, 4]
    assert len(samples([0, 1, 2 + 101.0], [1, 2, 3], repeats)) == 104
    many = [*range(10_000), 10_000 + 299.0]
    assert len(samples(many, [1.0] * 10_001, repeats)) == 10_001


def test_a_value_that_is_missing_repeats_the_one_before() -> None:
    nan = float("nan")
    assert samples([0, 1, 2, 3], [nan, 1, float("inf"), 2]) == [7, 1, 1, 2]
    assert samples([0, 1, 2, 3], [nan, nan, 1, nan], size=1) == [7, 7, 1, 1]


def test_rows_without_times_are_the_samples() -> None:
    given_rows = [(None, np.array([1.0, 2.0])), (None, np.array([float("nan"), 1e300]))]
    chunks = list(resample(given_rows, EVEN, 0.0, "x.csv"))
    assert np.concatenate(chunks).tolist() == [1, 2, 2, float("inf")]


def test_uneven_rows_are_joined_by_straight_lines() -> None:
    places, values = [0.0, 0.5, 2.25, 6.0], [0.0, 4.0, -3.0, 12.0]
    wanted = np.interp(np.arange(7), places, values).astype(np.float32)
    assert samples(places, values, UNEVEN) == pytest.approx(wanted.tolist(), abs=1e-6)
    assert len(samples([0.0, 0.5, 2.25, 5.9], values, UNEVEN)) == 6


@given(
    st.lists(st.tuples(st.sampled_from([0, 0.2, 0.9, 1, 1, 1, 1.3, 4]), st.integers(-99, 99)),
             min_size=1, max_size=60),
    st.integers(1, 20),
    st.sampled_from([EVEN, UNEVEN]),
)  # fmt: skip
def test_any_number_of_rows_at_once_gives_the_same(
    steps: list[tuple[float, int]], size: int, base: TimeBase
) -> None:
    places = np.cumsum([step for step, _ in steps]).tolist()
    values = [float(value) for _, value in steps]
    assert samples(places, values, base, size) == samples(places, values, base)


@pytest.mark.parametrize("base", [EVEN, UNEVEN])
def test_long_gaps_come_in_pieces(base: TimeBase, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = samples([0, 1, 20, 21], [0, 1, 20, 0], base)
    assert whole == pytest.approx([*range(21), 0])
    monkeypatch.setattr(resampling, "PIECE_SAMPLES", 3)
    assert samples([0, 1, 20, 21], [0, 1, 20, 0], base) == whole


@pytest.mark.parametrize(("base", "before"), [(EVEN, 2), (UNEVEN, 1)])
@pytest.mark.parametrize("size", [1, 1000])
def test_a_gap_too_long_is_refused_after_what_lies_before_it(
    base: TimeBase, before: int, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of uneven rows the last sample before the gap waits for the row behind it."""
    monkeypatch.setattr(resampling, "GAP_MOST", 50)
    assert len(samples([0, 1, 50], [0, 1, 2], base, size)) == 51
    found: list[float] = []

    def collect() -> None:
        for chunk in resample(rows([0, 1, 60], [0, 1, 2], size), base, 0.0, "x.csv"):
            found.extend(chunk.tolist())

    with pytest.raises(
        CaptureError,
        match=r"^x\.csv: the times reach 2\.06 s, more than 50 samples of 1000 Hz after the last"
        r" row; correct the time column$",
    ):
        collect()
    assert len(found) == before
