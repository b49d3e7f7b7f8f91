"""Segments hold the tone and what is beside it, at the level and place of the trace."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from bridge.signal.activity import ActivityDetector, Segment

NOISE = 0.01


def line(
    rate_hz: float, length_s: float, tones: list[tuple[float, float]], level: float = 0.3
) -> np.ndarray:
    at_s = np.arange(round(length_s * rate_hz)) / rate_hz
    volts = NOISE * np.random.default_rng(5).standard_normal(len(at_s))
    for on_s, off_s in tones:
        inside = (at_s >= on_s) & (at_s < off_s)
        volts[inside] += level * np.sin(2 * np.pi * 22e3 * at_s[inside])
    return volts.astype(np.float32)


def segments_of(
    samples: np.ndarray, rate_hz: float, parts: int = 7, **options: float
) -> list[Segment]:
    detector = ActivityDetector(rate_hz, **options)
    found: list[Segment] = []
    for part in np.array_split(samples, parts):
        before = detector.settled_until
        new = list(detector.push(part))
        assert all(segment.first >= before for segment in new)
        found += new
    found += detector.finish()
    assert detector.samples == len(samples)
    return found


def span_s(segment: Segment, rate_hz: float) -> tuple[float, float]:
    return segment.first / rate_hz, (segment.first + len(segment.samples)) / rate_hz


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 500e3])
def test_a_segment_reaches_some_milliseconds_beyond_its_tone(rate_hz: float) -> None:
    """The average over 8 ms shows tone 4 ms beside it; 3.2 ms are added."""
    samples = line(rate_hz, 1.0, [(0.3, 0.34), (0.6, 0.65)])
    first, second = segments_of(samples, rate_hz)
    for segment, (on_s, off_s) in ((first, (0.3, 0.34)), (second, (0.6, 0.65))):
        begin_s, end_s = span_s(segment, rate_hz)
        assert -4e-3 < begin_s - (on_s - 7.2e-3) < 0.3e-3  # a swell of the noise may join it
        assert -0.3e-3 < end_s - (off_s + 7.2e-3) < 4e-3
        assert not segment.opens
        assert not segment.closes
        place = slice(segment.first, segment.first + len(segment.samples))
        assert np.array_equal(segment.samples, samples[place])


@pytest.mark.parametrize("rate_hz", [96e3, 500e3])
def test_the_floor_of_a_segment_is_twice_the_variance_of_the_noise(rate_hz: float) -> None:
    (segment,) = segments_of(line(rate_hz, 2.0, [(1.0, 1.05)]), rate_hz)
    assert segment.floor == pytest.approx(2 * NOISE**2, rel=0.1)


def test_a_weak_segment_reaches_further() -> None:
    """At an average of some 20 times the floor 5 ms more are taken on either side."""
    rate_hz = 96e3
    (segment,) = segments_of(line(rate_hz, 1.0, [(0.5, 0.54)], level=0.03), rate_hz)
    begin_s, end_s = span_s(segment, rate_hz)
    assert begin_s == pytest.approx(0.5 - 11.8e-3, abs=0.9e-3)
    assert end_s == pytest.approx(0.54 + 11.8e-3, abs=0.9e-3)


def test_tones_close_together_share_a_segment() -> None:
    rate_hz = 96e3
    assert len(segments_of(line(rate_hz, 1.0, [(0.3, 0.32), (0.33, 0.35)]), rate_hz)) == 1
    assert len(segments_of(line(rate_hz, 1.0, [(0.3, 0.32), (0.345, 0.365)]), rate_hz)) == 2


def test_raw_samples_are_scaled_and_shifted() -> None:
    rate_hz = 96e3
    samples = line(rate_hz, 0.8, [(0.3, 0.34)])
    digits = np.rint(samples * 20_000).astype(np.int16)
    (segment,) = segments_of(digits, rate_hz, scale=1 / 20_000, offset=13.0)
    part = samples[segment.first : segment.first + len(segment.samples)]
    assert segment.samples == pytest.approx(13.0 + part, abs=3e-5)


def test_a_column_of_a_wide_table_is_taken_as_it_was() -> None:
    rate_hz = 96e3
    samples = line(rate_hz, 0.8, [(0.3, 0.34)])
    table = np.zeros((len(samples), 4), np.float32)
    table[:, 2] = samples
    detector = ActivityDetector(rate_hz)
    found = list(detector.push(table[:, 2]))
    table[:] = 9.0  # a copy was taken
    found += detector.finish()
    (segment,) = found
    place = slice(segment.first, segment.first + len(segment.samples))
    assert np.array_equal(segment.samples, samples[place])


def test_means_are_those_of_the_blocks() -> None:
    rate_hz = 96e3
    samples = np.linspace(13.0, 18.0, 9600).astype(np.float32)
    detector = ActivityDetector(rate_hz, offset=0.5)
    list(detector.push(samples))
    list(detector.finish())
    means = np.concatenate(detector.means)
    blocks = samples[: len(means) * detector.block].reshape(-1, detector.block)
    assert means == pytest.approx(blocks.mean(axis=1) + 0.5, rel=1e-5)


def test_steady_tone_is_given_at_its_ends_only() -> None:
    """A quarter of a second decides that it is steady; 40 ms are given at its end."""
    rate_hz = 96e3
    samples = line(rate_hz, 3.0, [(0.5, 2.5)])
    detector = ActivityDetector(rate_hz)
    found: list[Segment] = []
    steady = []
    for n, part in enumerate(np.array_split(samples, 60)):
        found += detector.push(part)
        if detector.in_steady_tone:
            steady.append(n * 0.05)
    found += detector.finish()
    begin, end = found
    assert (begin.opens, begin.closes) == (False, True)
    assert (end.opens, end.closes) == (True, False)
    assert span_s(begin, rate_hz)[0] == pytest.approx(0.4928, abs=1e-3)
    assert 0.03 < span_s(begin, rate_hz)[1] - 0.5 < 0.06
    assert span_s(end, rate_hz)[0] == pytest.approx(2.5 - 0.04, abs=6e-3)
    assert span_s(end, rate_hz)[1] == pytest.approx(2.5072, abs=1e-3)
    assert steady[0] == pytest.approx(1.0, abs=0.5)
    assert steady[-1] == pytest.approx(2.4, abs=0.5)


def test_traffic_without_pause_is_cut_where_it_is_quietest() -> None:
    """Bits 0 for 20 ms, then 4 ms of quiet, for a second: cut, every sample given once."""
    rate_hz = 96e3
    starts_s = [0.3 + 0.024 * n + 1.5e-3 * bit for n in range(42) for bit in range(14)]
    tones = [(start_s, start_s + 1e-3) for start_s in starts_s]
    found = segments_of(line(rate_hz, 2.0, tones), rate_hz)
    assert len(found) > 2
    assert not found[0].opens
    assert not found[-1].closes
    for before, after in pairwise(found):
        assert before.closes
        assert after.opens
        assert before.first + len(before.samples) == after.first
        place_s = (after.first / rate_hz - 0.3) % 0.024
        assert place_s == pytest.approx(0.022, abs=3e-3)  # the middle of a pause
    assert all(len(segment.samples) < 0.7 * rate_hz for segment in found)


@pytest.mark.parametrize("seed", range(3))
def test_noise_makes_few_segments(seed: int) -> None:
    """5.8 deviations of the average: a segment of noise is rare."""
    noise = np.random.default_rng(seed).standard_normal(4 * 96_000).astype(np.float32)
    assert len(segments_of(noise, 96e3)) <= 1


def test_a_tone_at_the_very_start_or_end_is_given() -> None:
    rate_hz = 96e3
    samples = line(rate_hz, 1.0, [(0.0, 0.03), (0.98, 1.0)])
    first, last = segments_of(samples, rate_hz)
    assert first.first == 0
    assert last.first + len(last.samples) == len(samples)
