"""The floor under the block powers: of white noise what arithmetic says, whatever is on top."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.signal.floor import PowerHistory
from bridge.signal.power import BATCH_BLOCKS


def noise(count: int, seed: int, scale: float = 1.0) -> np.ndarray:
    """Powers of white noise: exponential, two references of different means."""
    rng = np.random.default_rng(seed)
    means = np.array([[2.0], [3.0]]) * scale
    powers: np.ndarray = (means * rng.exponential(size=(2, count))).astype(np.float32)
    return powers


def test_the_floor_is_the_mean_power_of_noise() -> None:
    history = PowerHistory(88)
    for seed in range(4):
        history.add(noise(BATCH_BLOCKS, seed))
    assert history.floor == pytest.approx([2.0, 3.0], rel=0.12)  # half a decibel


def test_a_message_in_a_part_of_a_batch_leaves_the_floor() -> None:
    history = PowerHistory(88)
    power = noise(BATCH_BLOCKS, 7)
    power[:, 500:3000:3] += 400.0
    power[:, 501:3000:3] += 400.0
    history.add(power)
    assert history.floor == pytest.approx([2.0, 3.0], rel=0.15)


def test_a_message_that_fills_most_of_a_batch_leaves_the_floor() -> None:
    history = PowerHistory(88)
    power = noise(1000, 8)
    power[:, 150:] += 400.0 * (np.arange(850) % 3 > 0)
    history.add(power)
    assert history.floor == pytest.approx([2.0, 3.0], rel=0.3)


def test_tone_throughout_shows_nothing_of_the_floor() -> None:
    history = PowerHistory(88)
    history.add(noise(BATCH_BLOCKS, 1))
    before = history.floor
    history.add(np.full((2, BATCH_BLOCKS), 500.0, np.float32) + noise(BATCH_BLOCKS, 2))
    assert history.floor == pytest.approx(before)


def test_the_floor_is_the_median_of_the_latest_batches() -> None:
    history = PowerHistory(88)
    for n in range(3):
        history.add(noise(BATCH_BLOCKS, n))
    for n in range(2):
        history.add(noise(BATCH_BLOCKS, 10 + n, scale=50.0))
    assert history.floor == pytest.approx([2.0, 3.0], rel=0.12)
    for n in range(8):
        history.add(noise(BATCH_BLOCKS, 20 + n, scale=5.0))
    assert history.floor == pytest.approx([10.0, 15.0], rel=0.12)


def test_nothing_is_heard_70_decibels_below_the_highest() -> None:
    history = PowerHistory(88)
    history.add(np.array([[1.0] * 10, [4e5] * 10], np.float32))
    assert history.floor == pytest.approx([0.04, 0.04])
    quiet = np.zeros((2, 100), np.float32)
    history.add(quiet)
    assert history.floor == pytest.approx([0.04, 0.04])


@pytest.mark.parametrize("window", [1, 8, 9])
@pytest.mark.parametrize("sizes", [(100,), (40, 60), (3, 5, 92)])
def test_averages_are_means_about_each_block(window: int, sizes: tuple[int, ...]) -> None:
    power = noise(100, 3)
    history = PowerHistory(window)
    for part in np.split(power, np.cumsum(sizes)[:-1], axis=1):
        history.add(part)
    assert (history.first, history.end) == (0, 100)
    half = window // 2
    for start, end in ((0, 100), (20, 60), (50, 100), (0, 30)):
        if half == 0:
            continue
        found = history.averages(start, end)
        for reference in (0, 1):
            wanted = [
                power[reference, max(n - half, 0) : n + half].mean() for n in range(start, end)
            ]
            assert found[reference] == pytest.approx(wanted, rel=1e-5)


def test_ratios_are_of_the_louder_reference_over_its_floor() -> None:
    history = PowerHistory(20)
    power = noise(BATCH_BLOCKS, 4)
    power[1, 1000:1100] += 60.0
    history.add(power)
    ratios = history.ratios(900, 1200)
    assert ratios[150] == pytest.approx((60 + 3) / 3, rel=0.3)
    assert ratios[:50].max() < 3


def test_what_is_forgotten_leaves_numbers_and_averages_as_they_were() -> None:
    history = PowerHistory(20)
    for seed in range(3):
        history.add(noise(BATCH_BLOCKS, seed))
    late = history.averages(2 * BATCH_BLOCKS + 50, 2 * BATCH_BLOCKS + 90)
    history.forget(BATCH_BLOCKS - 1)
    assert history.first == 0
    history.forget(2 * BATCH_BLOCKS + 10)
    assert (history.first, history.end) == (2 * BATCH_BLOCKS, 3 * BATCH_BLOCKS)
    again = history.averages(2 * BATCH_BLOCKS + 50, 2 * BATCH_BLOCKS + 90)
    assert np.array(again) == pytest.approx(np.array(late), rel=1e-9)
