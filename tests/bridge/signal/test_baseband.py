"""Complex baseband: a tone's amplitude, phase and time as arithmetic says, the supply nothing."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.signal.activity import Segment
from bridge.signal.baseband import (
    Signal,
    conjugate_carrier,
    decimate,
    downconvert,
    estimate_carrier,
    moving_average,
    quadrature_taps,
    quantile,
)

RATES_HZ = [48e3, 96e3, 250e3]


def signal_of(volts: np.ndarray, rate_hz: float, start_s: float = 0.0) -> Signal:
    return Signal(volts.astype(np.float32), rate_hz, start_s, 0.01)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("carrier_hz", [18e3, 21_013.0])
def test_a_tone_stands_still_at_its_amplitude_and_phase(rate_hz: float, carrier_hz: float) -> None:
    at_s = np.arange(2000) / rate_hz
    volts = 13.0 + 40 * at_s + 0.3 * np.cos(2 * np.pi * carrier_hz * at_s + 0.7)
    base = downconvert(signal_of(volts, rate_hz, start_s=5.0), carrier_hz)
    assert base.envelope == pytest.approx(np.full(len(base.points), 0.3), rel=0.03)
    drift = np.unwrap(np.angle(base.points))
    assert np.ptp(drift) < 0.1
    hop = round(rate_hz * 10e-6) or 1
    assert base.step_s == pytest.approx(hop / rate_hz)
    length = len(quadrature_taps(rate_hz, carrier_hz)[0])
    assert base.start_s == pytest.approx(5.0 + (length - 1) / 2 / rate_hz)
    assert len(base.points) == (2000 - length) // hop + 1


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_the_noise_of_a_component_is_what_it_is_said_to_be(rate_hz: float) -> None:
    noise = 0.01 * np.random.default_rng(3).standard_normal(200_000)
    base = downconvert(signal_of(noise, rate_hz), 22e3)
    assert base.points.real.std() == pytest.approx(base.noise, rel=0.1)
    assert np.sqrt(np.mean(np.abs(base.points) ** 2) / 2) == pytest.approx(base.noise, rel=0.03)


def test_the_edge_of_a_tone_lies_at_half_its_amplitude() -> None:
    rate_hz = 250e3
    at_s = np.arange(2500) / rate_hz
    tone = np.where((at_s > 3e-3) & (at_s < 7e-3), np.cos(2 * np.pi * 22e3 * at_s), 0)
    base = downconvert(signal_of(tone, rate_hz), 22e3)
    points_s = base.start_s + base.step_s * np.arange(len(base.points))
    inside = points_s[base.envelope > 0.5]
    assert inside[0] == pytest.approx(3e-3, abs=15e-6)
    assert inside[-1] == pytest.approx(7e-3, abs=15e-6)


def test_too_few_samples_make_no_point() -> None:
    base = downconvert(signal_of(np.zeros(5), 96e3), 22e3)
    assert (len(base.points), len(base.envelope)) == (0, 0)


def test_the_carrier_is_taken_out_by_whole_turns() -> None:
    wave = conjugate_carrier(0.25, 6)
    assert wave == pytest.approx([1, -1j, -1, 1j, 1, -1j])


@pytest.mark.parametrize(("rate_hz", "ratio"), [(96e3, 1), (499e3, 1), (500e3, 2), (1.3e6, 5)])
def test_fast_samples_are_averaged_in_groups(rate_hz: float, ratio: int) -> None:
    samples = np.random.default_rng(1).standard_normal(1003).astype(np.float32)
    segment = Segment(samples, first=200, floor=0.08)
    signal = decimate(segment, rate_hz, 1.0)
    groups = samples[: 1003 // ratio * ratio].reshape(-1, ratio)
    assert signal.samples == pytest.approx(groups.mean(axis=1), abs=1e-6)
    assert signal.rate_hz == pytest.approx(rate_hz / ratio)
    assert signal.start_s == pytest.approx(1.0 + (200 + (ratio - 1) / 2) / rate_hz, abs=1e-12)
    assert signal.deviation == pytest.approx(0.2 / np.sqrt(ratio))  # floor: twice the variance


@pytest.mark.parametrize("carrier_hz", [17_700.0, 22_000.0, 26_300.0])
@pytest.mark.parametrize("rows", [None, 4])
def test_the_carrier_is_found_within_the_spacing_of_the_spectrum(
    carrier_hz: float, rows: int | None
) -> None:
    """Spectra of 1 ms padded to 256 points at 96 kHz: 375 Hz apart, half of it off at most."""
    at_s = np.arange(960) / 96e3
    volts = 13 + 0.3 * np.cos(2 * np.pi * carrier_hz * at_s) + 3 * np.cos(2 * np.pi * 2e3 * at_s)
    found_hz = estimate_carrier(signal_of(volts, 96e3), (14e3, 32e3), rows)
    assert found_hz == pytest.approx(carrier_hz, abs=190)


def test_only_the_samples_with_most_power_show_the_carrier() -> None:
    at_s = np.arange(9600) / 96e3
    volts = np.where(
        at_s < 0.01, np.cos(2 * np.pi * 20e3 * at_s), 0.4 * np.cos(2 * np.pi * 24e3 * at_s)
    )
    signal = signal_of(volts, 96e3)
    assert estimate_carrier(signal, (14e3, 32e3)) == pytest.approx(24e3, abs=190)
    assert estimate_carrier(signal, (14e3, 32e3), 8) == pytest.approx(20e3, abs=190)


def test_where_no_tone_is_found_the_nominal_carrier_is_given() -> None:
    assert estimate_carrier(signal_of(np.zeros(960), 96e3), (14e3, 32e3)) == 22_000.0
    assert estimate_carrier(signal_of(np.ones(20), 96e3), (14e3, 32e3)) == 22_000.0
    assert estimate_carrier(signal_of(np.arange(960), 20e3), (14e3, 32e3)) == 22_000.0


def test_moving_averages_are_means_of_neighbours() -> None:
    values = np.array([1.0, 5.0, 3.0, 7.0])
    assert moving_average(values, 2).tolist() == [3.0, 4.0, 5.0]
    assert moving_average(values, 9).tolist() == [4.0]
    assert moving_average(values, 0).tolist() == values.tolist()


@pytest.mark.parametrize("count", [1, 2, 7, 100])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 1.0])
def test_quantiles_are_those_of_numpy(count: int, share: float) -> None:
    values = np.random.default_rng(count).standard_normal(count)
    assert quantile(values, share) == pytest.approx(np.quantile(values, share))
