"""Which detector reads a segment, and each part of it: the strong one or the weak one."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.keying.mark import Mark, marks_of
from bridge.bus.parity import bits_of
from bridge.signal.activity import Segment
from bridge.signal.strong_or_weak import CLEAR_RATIO, detect_marks, is_weak

RATE_HZ = 96e3
HALT = bytes.fromhex("E03160")
LENGTH_S = 80e-3


def keyed(marks: list[Mark], level: float, length_s: float = LENGTH_S) -> np.ndarray:
    """A carrier of 22 kHz in these marks, with an amplitude."""
    at_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    wave = np.zeros(len(at_s))
    for mark in marks:
        inside = (at_s >= mark.on_s) & (at_s < mark.off_s)
        wave[inside] = level * np.sin(2 * np.pi * 22_000 * at_s[inside])
    return wave


def segment(wave: np.ndarray, deviation: float, **ends: bool) -> Segment:
    """These samples with white noise; the floor is its power per sample and Hz of either sign."""
    noise = deviation * np.random.default_rng(3).standard_normal(len(wave))
    return Segment((wave + noise).astype(np.float32), 0, 2 * deviation**2, **ends)


def test_the_ratio_is_that_of_a_tone_whose_envelope_shows_it() -> None:
    assert CLEAR_RATIO == 8.5
    assert not is_weak(8.5, 1.0)
    assert is_weak(8.49, 1.0)


@pytest.mark.parametrize(("decibel", "is_decided"), [(40.0, False), (30.0, False), (18.0, True)])
def test_near_the_noise_the_weak_detector_decides_the_bits(
    decibel: float, is_decided: bool
) -> None:
    """Es/N0 in a slot of 0.5 ms: amplitude squared, over four times the noise in it."""
    marks = marks_of(HALT, 20e-3)
    deviation = float(np.sqrt(0.325**2 * 0.5e-3 * RATE_HZ / 4 / 10 ** (decibel / 10)))
    found = detect_marks(segment(keyed(marks, 0.325), deviation), RATE_HZ, 100.0, volts=False)
    assert [mark.on_s - 100.0 for mark in found] == pytest.approx(
        [mark.on_s for mark in marks], abs=0.1e-3
    )
    if is_decided:
        assert [mark.bit for mark in found] == bits_of(HALT)
    else:
        assert {mark.bit for mark in found} == {None}
        assert [mark.length_s for mark in found] == pytest.approx(
            [mark.length_s for mark in marks], abs=0.06e-3
        )


def test_each_part_of_a_segment_is_read_by_its_own_level() -> None:
    """A near sender and, 20 ms later, one that is ten times as far away."""
    near, far = marks_of(b"\xe0", 10e-3), marks_of(b"\x31", 45e-3)
    deviation = float(np.sqrt(0.05**2 * 0.5e-3 * RATE_HZ / 4 / 10**1.8))
    wave = keyed(near, 0.5) + keyed(far, 0.05)
    found = detect_marks(segment(wave, deviation), RATE_HZ, 0.0, volts=False)
    assert [mark.bit for mark in found[:9]] == [None] * 9
    assert [mark.bit for mark in found[9:]] == bits_of(b"\x31")


@pytest.mark.parametrize(("level", "count"), [(0.045, 0), (0.055, 27)])
def test_in_volts_a_tone_below_0_1_v_is_none(level: float, count: int) -> None:
    """Peak to peak: a third of the 300 mV that a device must detect (standard, from memory)."""
    wave = keyed(marks_of(HALT, 20e-3), level)
    found = detect_marks(segment(wave, 1e-4), RATE_HZ, 0.0, volts=True)
    assert len(found) == count
    assert len(detect_marks(segment(wave, 1e-4), RATE_HZ, 0.0, volts=False)) == 27


def test_level_and_carrier_are_measured_in_volts() -> None:
    found = detect_marks(
        segment(keyed(marks_of(HALT, 20e-3), 0.325), 1e-3), RATE_HZ, 0.0, volts=True
    )
    assert {round(mark.carrier_hz or 0.0, -2) for mark in found} == {22_000.0}
    assert [mark.level_vpp for mark in found] == pytest.approx([0.65] * 27, rel=0.04)


def test_silence_and_too_few_samples_hold_no_marks() -> None:
    for count in (0, 3, 8_000):
        quiet = Segment(np.zeros(count, np.float32), 0, 0.0)
        assert detect_marks(quiet, RATE_HZ, 0.0, volts=False) == []


@pytest.mark.parametrize(("opens", "closes"), [(False, False), (True, False), (False, True)])
def test_a_tone_reaches_to_the_border_beyond_which_it_goes_on(opens: bool, closes: bool) -> None:
    wave = keyed([Mark(0.0, LENGTH_S)], 0.325)
    (mark,) = detect_marks(
        segment(wave, 1e-3, opens=opens, closes=closes), RATE_HZ, 5.0, volts=False
    )
    assert (mark.on_s == 5.0) == opens
    assert (mark.off_s == 5.0 + LENGTH_S) == closes
    assert mark.on_s == pytest.approx(5.0, abs=0.2e-3)
    assert mark.off_s == pytest.approx(5.0 + LENGTH_S, abs=0.2e-3)


def test_a_segment_later_in_the_trace_is_timed_from_its_first_sample() -> None:
    marks = marks_of(HALT, 20e-3)
    early = segment(keyed(marks, 0.325), 1e-3)
    late = Segment(early.samples, 9_600, early.floor)
    found = detect_marks(late, RATE_HZ, 1.0, volts=False)
    assert found[0].on_s == pytest.approx(1.0 + 0.1 + marks[0].on_s, abs=0.05e-3)


def test_a_continuous_tone_close_to_a_message_is_a_part_of_its_own() -> None:
    """2 ms of quiet between them; the tone is at half the level of the message."""
    message = marks_of(HALT, 10e-3)
    tone = Mark(message[-1].off_s + 2e-3, 80e-3)
    wave = keyed(message, 0.4) + keyed([tone], 0.2)
    found = detect_marks(segment(wave, 1e-3), RATE_HZ, 0.0, volts=False)
    assert len(found) == 28
    assert found[-1].on_s == pytest.approx(tone.on_s, abs=0.05e-3)
    assert found[-1].off_s == pytest.approx(tone.off_s, abs=0.2e-3)
