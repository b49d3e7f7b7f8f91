"""Carriers near half the sample rate: not given where their image may be meant, or unreadable."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import Signal
from bridge.signal.nyquist import drop_ambiguous_carriers, mark_unreadable

RATE_HZ = 48e3


def tone_at(carrier_hz: float, noise: float = 0.01, level: float = 0.3) -> Signal:
    """Keyed tone, 1 ms of 1.5 ms, from 10 ms on."""
    at_s = np.arange(round(0.05 * RATE_HZ)) / RATE_HZ
    keyed = (at_s >= 0.01) & ((at_s - 0.01) % 1.5e-3 < 1e-3)
    volts = 13 + np.where(keyed, level * np.sin(2 * np.pi * carrier_hz * at_s + 1.2), 0)
    volts += noise * np.random.default_rng(1).standard_normal(len(at_s))
    return Signal(volts.astype(np.float32), RATE_HZ, 7.0, noise)


def test_carriers_close_to_half_the_rate_are_dropped() -> None:
    marks = [Mark(0.0, 1e-3, carrier_hz=hz) for hz in (21e3, 22.2e3, 22.3e3, 25e3, None)]
    kept = drop_ambiguous_carriers(marks, RATE_HZ)
    assert [mark.carrier_hz for mark in kept] == [21e3, 22.2e3, None, None, None]
    assert [mark.off_s for mark in kept] == [1e-3] * 5


@pytest.mark.parametrize("carrier_hz", [23_900.0, 24_000.0, 24_200.0])
def test_tone_at_half_the_rate_makes_one_mark_that_says_why(carrier_hz: float) -> None:
    (mark,) = mark_unreadable(tone_at(carrier_hz))
    assert mark.on_s == pytest.approx(7.01, abs=3e-3)
    assert mark.length_s == pytest.approx(0.5e-3)
    assert [(fault.code, fault.detail) for fault in mark.faults] == [
        (
            "unclear",
            "tone within 0.7 kHz of half the sample rate, 24 kHz, cannot be read; "
            "record it at 96 kHz or more",
        )
    ]


def test_other_tones_and_noise_make_none() -> None:
    assert mark_unreadable(tone_at(20e3)) == []
    assert mark_unreadable(tone_at(24e3, level=0.0)) == []
    assert mark_unreadable(tone_at(24e3, level=0.002)) == []
    assert mark_unreadable(Signal(np.zeros(40, np.float32), RATE_HZ, 0.0, 0.01)) == []
