"""Levels of tones by their shape: a range that holds the truth, and no wider than it must be.

A sine of the fundamental's size against the height: square 4/pi, triangle 8/pi^2, saw 2/pi
(Fourier series, computed).
"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.signal.baseband import Signal, downconvert
from bridge.signal.level import is_pure_tone, measure_level_vpp, tone_samples

FUNDAMENTAL = {"sine": 1.0, "square": 4 / np.pi, "triangle": 8 / np.pi**2, "saw": 2 / np.pi}
CARRIER_HZ = 21_900.0


def signal_of(shape: str, rate_hz: float, noise: float = 0.002, step: float = 0.0) -> Signal:
    """5 ms of tone, 0.6 V peak to peak, in steps of a converter where given."""
    at_s = np.arange(round(5e-3 * rate_hz)) / rate_hz
    turn = (CARRIER_HZ * at_s + 0.13) % 1.0
    wave = {
        "sine": np.sin(2 * np.pi * turn),
        "square": np.where(turn < 0.5, 1.0, -1.0),
        "triangle": 4 * np.abs(turn - 0.5) - 1,
        "saw": 2 * turn - 1,
    }[shape]
    volts = 0.3 * wave + noise * np.random.default_rng(2).standard_normal(len(at_s))
    if step:
        volts = np.rint(volts / step) * step
    return Signal(volts.astype(np.float32), rate_hz, 0.0, noise)


def measured(shape: str, rate_hz: float, **options: float) -> tuple[float, float, float]:
    signal = signal_of(shape, rate_hz, **options)
    base = downconvert(signal, CARRIER_HZ)
    points = len(base.points)
    tones = tone_samples(signal, base, [(10.0, points / 2), (points / 2, points - 10.0)])
    vpp, (low, high) = measure_level_vpp(tones, signal, CARRIER_HZ, 0.3 * FUNDAMENTAL[shape])
    return vpp, low * vpp, high * vpp


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 125e3, 250e3, 1e6])
@pytest.mark.parametrize("shape", sorted(FUNDAMENTAL))
def test_the_range_holds_the_level(shape: str, rate_hz: float) -> None:
    _, low, high = measured(shape, rate_hz)
    assert low * 0.97 <= 0.6 <= high * 1.05


@pytest.mark.parametrize("shape", ["sine", "triangle", "square"])
def test_fast_samples_show_the_level_itself(shape: str) -> None:
    vpp, low, high = measured(shape, 1e6)
    assert vpp == pytest.approx(0.6, rel=0.04)
    assert high == pytest.approx(vpp, rel=0.01)
    assert low >= 0.8 * vpp


def test_slow_or_noisy_samples_leave_every_shape_open() -> None:
    for rate_hz, noise in ((48e3, 0.002), (1e6, 0.04)):
        vpp, low, high = measured("sine", rate_hz, noise=noise)
        assert vpp == pytest.approx(0.6)
        assert (low / vpp, high / vpp) == pytest.approx((np.pi / 4, np.pi / 2))


def test_the_second_harmonic_shows_a_saw_tooth() -> None:
    """At 96 kHz the second harmonic is sampled, the third is not."""
    vpp, _, high = measured("saw", 96e3)
    assert high / vpp == pytest.approx(np.pi / 2, rel=0.02)
    vpp, _, high = measured("sine", 96e3)
    assert high / vpp == pytest.approx(np.pi**2 / 8, rel=0.02)


def test_steps_of_a_converter_widen_the_range() -> None:
    vpp, low, high = measured("sine", 1e6, noise=0.0, step=0.02)
    assert high / vpp == pytest.approx(1 + 1.5 * 0.02 / vpp, rel=1e-3)
    assert low / vpp == pytest.approx(1 - 1.5 * 0.02 / vpp, rel=1e-3)


def test_tones_are_cut_clear_of_their_edges() -> None:
    signal = signal_of("sine", 250e3)
    base = downconvert(signal, CARRIER_HZ)
    spans = [(0.0, 40.0), (50.0, 58.0), *((n * 25.0, n * 25.0 + 20.0) for n in range(3, 9))]
    tones = tone_samples(signal, base, spans)
    # points are 8 us (2 samples) apart; 60 us are left out at either edge of the first six
    assert [len(tone) for tone in tones] == [50, 10, 10, 10, 10]
    assert all((np.diff(tone) >= 0).all() for tone in tones)
    assert tones[0].tolist() == sorted(signal.samples[15:65].astype(float).tolist())


def test_half_a_slot_more_is_not_taken() -> None:
    signal = signal_of("sine", 250e3)
    base = downconvert(signal, CARRIER_HZ)
    (tone,) = tone_samples(signal, base, [(0.0, 300.0)])
    assert len(tone) == 125  # 0.5 ms


@pytest.mark.parametrize(("share", "pure"), [(0.30, False), (0.40, True), (1.0, True)])
def test_a_tone_is_pure_by_its_share_of_the_power(share: float, pure: bool) -> None:
    """More than 0.35 of the power over the noise; a saw tooth has 0.61 (computed)."""
    rng = np.random.default_rng(3)
    tones = [np.sort(rng.standard_normal(4000)) for _ in range(3)]  # a power of 1
    assert is_pure_tone(tones, np.sqrt(2 * share), 0.0) is pure
    assert is_pure_tone(tones, np.sqrt(2 * share * 0.5), np.sqrt(0.5)) is pure
    assert is_pure_tone([], 0.3, 0.0)
