"""Samples to tone updates: what is known of the tone, up to when, and of the supply."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.event import Supply
from bridge.bus.keying.reader import LineEnd, ToneUpdate
from bridge.signal.sample_detector import SampleDetector
from bridge.signal.waveform import Sending, samples_of

RATE_HZ = 100e3
HALT = bytes.fromhex("E03160")
WAVE = np.concatenate(list(samples_of(Sending([HALT], 0.0), RATE_HZ)))
QUIET = np.zeros(round(2 * RATE_HZ), np.float32)
Found = list[ToneUpdate | Supply | LineEnd]


def detect(wave: np.ndarray, chunk: int = 5_000, **options: float) -> tuple[SampleDetector, Found]:
    noise = 0.002 * np.random.default_rng(1).standard_normal(len(wave))
    samples = (wave + noise).astype(np.float32)
    detector = SampleDetector(RATE_HZ, **options)  # type: ignore[arg-type]
    found: Found = []
    for first in range(0, len(samples), chunk):
        found += detector.push(samples[first : first + chunk])
    return detector, found


def test_the_marks_of_a_message_come_at_once_and_time_goes_on() -> None:
    _, found = detect(np.concatenate((WAVE, QUIET)), start_s=10.0)
    updates = [each for each in found if isinstance(each, ToneUpdate)]
    (full,) = [update for update in updates if len(update.marks)]
    assert len(full.marks) == 27
    assert full.known_until_s == -np.inf
    known = [update.known_until_s for update in updates if update is not full]
    assert known == sorted(known)
    assert 10.0 <= known[0] < known[-1] < 10.0 + (len(WAVE) + len(QUIET)) / RATE_HZ
    assert all(update.on_since_s is None for update in updates)


def test_edges_are_timed_to_30_us_and_a_sample() -> None:
    _, found = detect(np.concatenate((WAVE, QUIET)))
    (error_s,) = {each.timing_error_s for each in found if isinstance(each, ToneUpdate)}
    assert error_s == pytest.approx(40e-6)


def test_the_end_of_the_line_is_that_of_its_samples() -> None:
    detector, _ = detect(WAVE, start_s=10.0)
    *_, end = detector.finish()
    assert isinstance(end, LineEnd)
    assert end.end_s == pytest.approx(10.0 + len(WAVE) / RATE_HZ)
    assert not end.at_last_edge
    assert list(end.marks) == []


def test_a_continuous_tone_is_on_since_its_start_and_ends_as_one_mark() -> None:
    at_s = np.arange(round(3 * RATE_HZ)) / RATE_HZ
    tone = np.where((at_s > 0.5) & (at_s < 2.5), 0.3 * np.sin(2 * np.pi * 21_300 * at_s), 0.0)
    detector, found = detect(np.concatenate((tone, QUIET)))
    held = [each for each in found if isinstance(each, ToneUpdate) and each.on_since_s is not None]
    assert held[0].on_since_s == pytest.approx(0.5, abs=0.1e-3)
    assert {update.on_since_s for update in held} == {held[0].on_since_s}
    assert held[0].known_until_s < 1.5
    found += detector.finish()
    marks = [
        mark for each in found if isinstance(each, (ToneUpdate, LineEnd)) for mark in each.marks
    ]
    assert [(mark.on_s, mark.off_s) for mark in marks] == [
        (held[0].on_since_s, pytest.approx(2.5, abs=0.1e-3))
    ]


@pytest.mark.parametrize(
    ("volts", "level_v", "supplies"),
    [
        (True, 13.0, [13.0]),
        (False, 13.0, [13.0]),
        (False, 9.9, []),
        (False, 21.1, []),
        (True, 0, []),
    ],
)
def test_samples_at_the_level_of_a_supply_are_volts(
    volts: bool, level_v: float, supplies: list[float]
) -> None:
    """Between 10 and 21; a file need not name its unit."""
    detector, found = detect(np.concatenate((WAVE, QUIET)) + level_v, volts=volts)
    found += detector.finish()
    assert [round(each.volts, 1) for each in found if isinstance(each, Supply)] == supplies
    assert detector.volts == (volts or bool(supplies))
    seen_v = detector.supply_v(0.5, 0.6)
    assert seen_v == (pytest.approx(13.0, abs=0.01) if supplies else None)
    marks = [mark for each in found if isinstance(each, ToneUpdate) for mark in each.marks]
    assert all((mark.level_vpp is not None) == detector.volts for mark in marks)


def test_raw_samples_are_scaled_to_the_unit_of_the_trace() -> None:
    """Offset binary of 8 bits: 128 is 0 V, a step is 0.2 V."""
    raw = np.full(300_000, 128 + 65, np.uint8)
    detector = SampleDetector(RATE_HZ, volts=True, scale=0.2, offset=-25.6)
    found = [*detector.push(raw), *detector.finish()]
    assert [round(each.volts, 3) for each in found if isinstance(each, Supply)] == [13.0]


def test_nothing_that_was_certain_comes_later() -> None:
    wave = np.concatenate((np.tile(WAVE, 3), QUIET)) + 13.0
    noise = 0.002 * np.random.default_rng(1).standard_normal(len(wave))
    samples = (wave + noise).astype(np.float32)
    detector = SampleDetector(RATE_HZ, volts=True)
    certain_s = -np.inf
    for first in range(0, len(samples), 1_000):
        for found in detector.push(samples[first : first + 1_000]):
            if isinstance(found, Supply):
                assert found.t_s >= certain_s
            else:
                assert all(mark.on_s >= certain_s for mark in found.marks)
        assert detector.certain_s >= certain_s
        certain_s = detector.certain_s
    assert certain_s > 1.0


def test_samples_that_wait_for_more_change_nothing() -> None:
    detector = SampleDetector(RATE_HZ)
    assert list(detector.push(np.zeros(3, np.float32))) == []
