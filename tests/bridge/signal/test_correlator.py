"""Correlation with a carrier: amplitude, energy and likelihood against their own formulas."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import Signal
from bridge.signal.correlator import Correlator, correlate, is_carrier, places

RATE_HZ = 96e3
CARRIER_HZ = 21_400.0


def correlator_of(
    volts: np.ndarray, *, level: float | None = 0.3, deviation: float = 0.01, marks: tuple = ()
) -> Correlator:
    signal = Signal(volts.astype(np.float32), RATE_HZ, 2.0, deviation)
    return correlate(signal, CARRIER_HZ, level, marks)


def wave(count: int = 960, phase: float = 0.6, level: float = 0.3) -> np.ndarray:
    return level * np.cos(2 * np.pi * CARRIER_HZ * np.arange(count) / RATE_HZ + phase)


def test_the_fitted_amplitude_is_that_of_the_tone() -> None:
    correlator = correlator_of(13 + wave())
    fitted = correlator.fit(np.array([100, 300]), np.array([400, 420]))
    assert fitted == pytest.approx(np.full(2, 0.3 * np.exp(0.6j)), abs=0.01)


def test_a_fit_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(1)
    volts = wave() + 0.1 * rng.standard_normal(960)
    correlator = correlator_of(volts)
    freed = np.diff(correlator.power)  # squares of the samples without the supply
    at = np.arange(200, 260)
    angle = 2 * np.pi * CARRIER_HZ / RATE_HZ * at
    x = np.real(np.diff(correlator.turned)[at] * np.exp(1j * angle))
    assert np.square(x) == pytest.approx(freed[at])
    table = np.stack((np.cos(angle), -np.sin(angle)), axis=1)
    (real, imaginary), (residual,), *_ = np.linalg.lstsq(table, x, rcond=None)
    first, end = np.array([200]), np.array([260])
    tones = correlator.fit(first, end)
    assert tones[0] == pytest.approx(real + 1j * imaginary)
    assert correlator.explain(tones, first, end)[0] == pytest.approx(np.sum(x**2) - residual)


def test_where_too_few_phases_were_sampled_nothing_is_fitted() -> None:
    """Two samples of a carrier half a cycle apart show its cosine only."""
    signal = Signal(wave().astype(np.float32), 2 * CARRIER_HZ, 0.0, 0.01)
    correlator = correlate(signal, CARRIER_HZ, 0.3)
    assert correlator.fit(np.array([10]), np.array([80]))[0] == 0


def test_nats_are_the_log_likelihood_ratio_of_tone() -> None:
    rng = np.random.default_rng(2)
    correlator = correlator_of(wave(phase=0.6) + 0.1 * rng.standard_normal(960), deviation=0.1)
    phase = complex(np.exp(0.6j))
    at = np.arange(300, 360)
    angle = 2 * np.pi * CARRIER_HZ / RATE_HZ * at
    x = np.real(np.diff(correlator.turned)[at] * np.exp(1j * angle))
    tone = 0.3 * np.cos(angle + 0.6)
    log_ratio = (np.square(x) - np.square(x - tone)) / (2 * 0.1**2)
    found = correlator.nats(phase, 300, 360)
    assert found == pytest.approx(np.concatenate(([0.0], np.cumsum(log_ratio))))


def test_the_level_is_the_median_of_the_marks() -> None:
    volts = wave()
    volts[500:] *= 0.5
    marks = tuple(Mark(2.0 + n * 1e-3, 2.0 + (n + 1) * 1e-3) for n in range(8))
    assert correlator_of(volts, level=None, marks=marks).level == pytest.approx(0.3, rel=0.03)
    assert correlator_of(volts, level=None).level == 0.0


@pytest.mark.parametrize(("noise", "deviation"), [(0.01, 0.06), (0.2, 0.2)])
def test_the_carriers_shape_counts_as_noise_of_a_fifth(noise: float, deviation: float) -> None:
    correlator = correlator_of(wave(), deviation=noise)
    assert correlator.deviation == pytest.approx(deviation)
    assert correlator.noise == noise


def test_places_are_borders_between_samples() -> None:
    correlator = correlator_of(wave())
    assert correlator.place(2.0 + 99.5 / RATE_HZ) == 100
    assert correlator.time(100) == pytest.approx(2.0 + 99.5 / RATE_HZ)
    assert (correlator.place(0.0), correlator.place(9.0)) == (0, 960)
    marks = (Mark(2.001, 2.002), Mark(9.0, 8.0))
    first, end = places(correlator, marks)
    assert (first.tolist(), end.tolist()) == ([96, 960], [192 + 1 - 1, 960])


def test_noise_and_half_the_sample_rate_blur_edges() -> None:
    """28 nats of tone, A^2 / (4 deviation^2) a sample; 120 / distance^2 (computed)."""
    quiet = correlator_of(wave(), deviation=1e-6)
    assert quiet.blur_s == pytest.approx(120.0 / (48e3 - CARRIER_HZ) ** 2, rel=1e-3)
    noisy = correlator_of(wave(), deviation=0.1)
    samples = 28.0 / (0.3**2 / (4 * 0.1**2))
    assert noisy.blur_s - quiet.blur_s == pytest.approx(samples / RATE_HZ, rel=1e-3)
    near = Signal(wave().astype(np.float32), 2 * CARRIER_HZ + 400, 0.0, 1e-6)
    assert correlate(near, CARRIER_HZ, 0.3).blur_s == pytest.approx(120.0 / 500.0**2, rel=1e-3)


def shaped(shape: str) -> np.ndarray:
    turn = (CARRIER_HZ * np.arange(960) / RATE_HZ) % 1.0
    return {
        "sine": np.sin(2 * np.pi * turn),
        "square": np.where(turn < 0.5, 1.0, -1.0),
        "triangle": 4 * np.abs(turn - 0.5) - 1,
        "saw": 2 * turn - 1,
        "step": np.where(np.arange(960) < 480, 0.0, 5.0),
        "low": np.sin(2 * np.pi * 3e3 * np.arange(960) / RATE_HZ),
        "clicks": np.where(np.arange(960) % 60 == 0, 1.0, 0.0),
    }[shape]


@pytest.mark.parametrize(
    ("shape", "carrier"),
    [("sine", True), ("square", True), ("triangle", True), ("saw", True), ("step", False),
     ("low", False), ("clicks", False)],
)  # fmt: skip
def test_a_carrier_of_any_shape_is_one_and_a_step_or_sound_is_none(
    shape: str, carrier: bool
) -> None:
    noise = 0.05 * np.random.default_rng(4).standard_normal(960)
    correlator = correlator_of(0.3 * shaped(shape) + noise, deviation=0.05)
    marks = [Mark(2.0 + 1e-3 + n * 1.5e-3, 2.0 + 2e-3 + n * 1.5e-3) for n in range(5)]
    assert is_carrier(correlator, marks) is carrier
