"""A logic line to tone updates: judged first, then read, and what its end means."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.keying.reader import ToneUpdate
from bridge.signal.edge_detector import EdgeDetector
from bridge.signal.waveform import Sending, edges_of

TICK_S = 1e-6
FRAMES = [bytes.fromhex("E03160")] * 3
Edges = tuple[np.ndarray, np.ndarray]


def carrier() -> Edges:
    times = np.array([0.0, *(time_s for time_s, _ in edges_of(Sending(FRAMES)))])
    return times, (np.arange(len(times)) % 2).astype(np.uint8)


def envelope(*, inverted: bool = False) -> Edges:
    ends = [t for mark in Sending(FRAMES).marks for t in (mark.on_s, mark.off_s)]
    times = np.array([0.0, *ends])
    return times, ((np.arange(len(times)) + inverted) % 2).astype(np.uint8)


def test_edges_are_held_back_until_the_line_is_judged_and_then_all_are_read() -> None:
    times, levels = envelope()
    detector = EdgeDetector(TICK_S)
    assert detector.push(times[:143], levels[:143]) == ToneUpdate(
        detector.push(*_none()).marks, 0.0
    )
    assert not detector.is_judged
    assert len(detector.advance(10.0).marks) == 0  # nor is it judged by waiting
    assert not detector.is_judged
    update = detector.push(times[143:], levels[143:])
    assert detector.is_judged
    assert len(update.marks) == 81
    assert update.known_until_s == times[-1]
    assert update.on_since_s is None
    assert update.timing_error_s == pytest.approx(41e-6)


def _none() -> Edges:
    return np.empty(0), np.empty(0, np.uint8)


def test_each_form_has_its_timing_error() -> None:
    """A comparator is late by up to a period, an envelope detector by its own delays."""
    for edges, error_s in (
        (carrier(), 71e-6),
        (envelope(), 41e-6),
        (envelope(inverted=True), 41e-6),
    ):
        update = EdgeDetector(TICK_S).push(*edges)
        assert update.timing_error_s == pytest.approx(error_s)


def test_a_tone_still_on_is_told_since_when() -> None:
    times, levels = carrier()
    detector = EdgeDetector(TICK_S)
    update = detector.push(times[:-5], levels[:-5])
    last = Sending(FRAMES).marks[-1]
    assert update.on_since_s == pytest.approx(last.on_s)
    assert update.known_until_s == times[-6]
    later = detector.advance(times[-6] + 1.0)
    assert (later.on_since_s, later.known_until_s) == (None, times[-6] + 1.0)
    assert len(later.marks) == 1


def test_time_never_goes_back() -> None:
    times, levels = carrier()
    detector = EdgeDetector(TICK_S)
    detector.push(times, levels)
    assert detector.advance(0.0).known_until_s == times[-1]
    assert detector.push(*_none()).known_until_s == -np.inf


def test_a_line_too_short_to_judge_is_judged_at_its_end() -> None:
    times, levels = envelope()
    detector = EdgeDetector(TICK_S)
    detector.push(times[:55], levels[:55])
    assert not detector.is_judged
    update, end = detector.finish()
    assert detector.is_judged
    assert len(update.marks) == 27
    assert (len(end.marks), end.end_s, end.at_last_edge) == (0, times[54], True)


def test_a_line_without_edges_ends_without_a_word() -> None:
    update, end = EdgeDetector(TICK_S).finish()
    assert len(update.marks) == 0
    assert (len(end.marks), end.end_s) == (0, None)


@pytest.mark.parametrize(
    ("after_s", "at_last_edge"), [(0.0, True), (0.9e-6, True), (1.1e-6, False), (1.0, False)]
)
def test_a_line_may_end_at_its_last_edge_or_later(after_s: float, at_last_edge: bool) -> None:
    """Within a tick of the last edge more quiet may follow that nobody wrote down."""
    times, levels = envelope()
    detector = EdgeDetector(TICK_S, float(times[-1]) + after_s)
    detector.push(times, levels)
    _, end = detector.finish()
    assert (end.end_s, end.at_last_edge) == (times[-1] + after_s, at_last_edge)


def test_an_envelope_that_ends_at_the_level_of_tone_is_known_to_be_on() -> None:
    times, levels = envelope()
    detector = EdgeDetector(TICK_S, float(times[-2]))
    detector.push(times[:-1], levels[:-1])
    _, end = detector.finish()
    assert not end.at_last_edge


def test_a_carrier_that_is_on_at_the_end_is_its_last_mark() -> None:
    times, levels = carrier()
    detector = EdgeDetector(TICK_S)
    detector.push(times, levels)
    _, end = detector.finish()
    assert len(end.marks) == 1
    assert end.at_last_edge


def test_a_line_that_shows_no_tone_gives_nothing() -> None:
    times = np.arange(30_000) * 1e-3
    detector = EdgeDetector(TICK_S)
    update = detector.push(times, (np.arange(30_000) % 2).astype(np.uint8))
    assert detector.is_judged
    assert (len(update.marks), update.on_since_s) == (0, None)
    _, end = detector.finish()
    assert len(end.marks) == 0
