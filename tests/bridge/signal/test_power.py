"""The power in blocks of samples: of a tone what arithmetic says, of the supply nothing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.signal.power import LARGEST_SAMPLE, BlockPowers, PowerMeter
from random_search import examples

RATES_HZ = [48e3, 96e3, 250e3, 1e6, 10e6]


def probe(samples: np.ndarray, rate_hz: float, cuts: list[int]) -> list[BlockPowers]:
    own = PowerMeter(rate_hz, scale=0.5, offset=3.0)
    units: list[BlockPowers] = []
    for part in np.split(samples, sorted(min(cut, len(samples)) for cut in cuts)):
        units += own.push(part)
    return [*units, *own.finish()]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_tone_shows_its_power_and_the_mean_the_supply(rate_hz: float) -> None:
    """Two unit vectors hold A**2 N / 2 of N samples of a sine of amplitude A (computed)."""
    at_s = np.arange(round(0.03 * rate_hz)) / rate_hz
    volts = 13.0 + 4.0 * at_s + 0.3 * np.sin(2 * np.pi * 20e3 * at_s + 0.7)
    (unit,) = probe((2 * (volts - 3.0)).astype(np.float32), rate_hz, [])
    own = PowerMeter(rate_hz)
    look = round(rate_hz * 2 / 22e3)
    begun = at_s[:: own.block][: len(unit.means)]
    middle_s = (look - 1) / 2 / rate_hz
    assert unit.means == pytest.approx(13.0 + 4.0 * (begun + middle_s), abs=0.05)
    if look > 8:  # fewer samples leave little of a tone once mean and slope are out
        assert np.median(unit.power[0]) == pytest.approx(0.3**2 * look / 2, rel=0.3)
    assert unit.samples == len(volts)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_supply_and_slope_show_no_power(rate_hz: float) -> None:
    slope = np.linspace(13.0, 18.0, round(0.02 * rate_hz)).astype(np.float32)
    for unit in probe(slope, rate_hz, []):
        assert unit.power.max() < 1e-6 * rate_hz / 48e3


@given(
    seed=st.integers(0, 2**32 - 1),
    rate_hz=st.sampled_from(RATES_HZ[:4]),
    cuts=st.lists(st.integers(0, 900_000), max_size=6),
    kind=st.sampled_from([np.int16, np.float32, np.uint8]),
)
@examples(20)
def test_chunks_of_any_size_give_the_very_same(
    seed: int, rate_hz: float, cuts: list[int], kind: type
) -> None:
    rng = np.random.default_rng(seed)
    samples = rng.integers(0, 200, int(rng.integers(0, 900_000))).astype(kind)
    whole, parts = probe(samples, rate_hz, []), probe(samples, rate_hz, cuts)
    assert sum(unit.samples for unit in whole) == len(samples)
    assert [unit.samples for unit in parts] == [unit.samples for unit in whole]
    for one, other in zip(parts, whole, strict=True):
        assert np.array_equal(one.power, other.power)
        assert np.array_equal(one.means, other.means)


def test_what_is_no_number_is_taken_for_none() -> None:
    samples = np.zeros(2_000, np.float32)
    samples[[50, 400, 900]] = np.nan, np.inf, -1e38
    for unit in probe(samples, 96e3, [3, 401]):
        assert np.isfinite(unit.power).all()
        assert np.abs(unit.means).max() <= LARGEST_SAMPLE + 3.0


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 1e6])
def test_noise_has_twice_its_variance_in_each_block(rate_hz: float) -> None:
    """Two unit vectors a reference: the sum of two variances (computed)."""
    noise = 0.2 * np.random.default_rng(2).standard_normal(round(0.2 * rate_hz))
    meter = PowerMeter(rate_hz, scale=3.0)
    batches = [*meter.push(noise.astype(np.float32)), *meter.finish()]
    power = np.hstack([batch.power for batch in batches])
    assert power.mean(axis=1) == pytest.approx([2 * 0.6**2] * 2, rel=0.1)


@pytest.mark.parametrize(
    ("rate_hz", "block"), [(8e3, 6), (96e3, 9), (399e3, 36), (400e3, 72), (1e6, 182)]
)
def test_blocks_are_two_cycles_and_every_second_where_samples_are_fast(
    rate_hz: float, block: int
) -> None:
    assert PowerMeter(rate_hz).block == block


@pytest.mark.parametrize("rate_hz", [96e3, 1e6])
def test_batches_have_4096_blocks(rate_hz: float) -> None:
    meter = PowerMeter(rate_hz)
    count = 2 * 4096 * meter.block
    batches = [*meter.push(np.zeros(count + 5, np.int16)), *meter.finish()]
    assert [batch.samples for batch in batches] == [count // 2, count // 2, 5]
    assert [batch.power.shape for batch in batches] == [(2, 4096), (2, 4096), (2, 0)]


def test_a_rate_that_cannot_show_a_reference_gives_numbers_all_the_same() -> None:
    meter = PowerMeter(24.2e3)
    batches = [*meter.push(np.ones(500, np.float32)), *meter.finish()]
    assert np.isfinite(batches[0].power).all()
