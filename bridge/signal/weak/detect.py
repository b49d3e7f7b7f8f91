"""Marks of weak tone: the best message or tone in a segment, then what is before and after it.

The best sequence of bits gives better estimates of level, noise and carrier. Where they moved,
the search is repeated with them. Then each bit is decided again at its own place.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import Signal
from bridge.signal.correlator import correlate, is_carrier
from bridge.signal.holes import find_holes_and_pulses
from bridge.signal.weak.decision import decide_bits
from bridge.signal.weak.estimate import Estimate, first_estimate, has_moved, measure
from bridge.signal.weak.sequence import cells_of
from bridge.signal.weak.timing import ACCEPT_NATS, SURE_NATS, best_loose, best_sequence
from bridge.signal.weak.tone import find_tones

# s of samples that may hold a message: a byte is 13.5 ms, its last quiet less (judgement)
SHORTEST_S = 12e-3
BORDER_S = 0.5e-3  # s left out beside a continuous tone: a slot (judgement)


def detect_weak(signal: Signal) -> list[Mark]:
    """The marks of all messages and tones, in time order; bits and margins are set."""
    if signal.deviation <= 0:
        return []
    return sorted(_search(signal), key=lambda mark: mark.on_s)


def _search(signal: Signal) -> Iterator[Mark]:
    """A tone or the best message in the signal, and what is before and after it."""
    if len(signal.samples) < SHORTEST_S * signal.rate_hz:
        return
    estimate = first_estimate(signal)
    tone = next(find_tones(signal, estimate), None)
    marks = [tone] if tone is not None else _message(signal, estimate)
    if not marks:
        return
    if (cut_s := _cut_between(marks)) is not None:
        yield from _search(_part(signal, None, cut_s))
        yield from _search(_part(signal, cut_s, None))
        return
    yield from marks
    apart_s = BORDER_S if tone is not None else std.END_OF_MESSAGE_S / 2
    yield from _search(_part(signal, None, marks[0].on_s - apart_s))
    yield from _search(_part(signal, marks[-1].off_s + apart_s, None))


def _cut_between(marks: list[Mark]) -> float | None:
    """The middle of the longest quiet, where it is too long for one message."""
    gaps = [(after.on_s - before.off_s, before.off_s) for before, after in pairwise(marks)]
    length_s, from_s = max(gaps, default=(0.0, 0.0))
    return from_s + length_s / 2 if length_s > std.END_OF_MESSAGE_S else None


def _message(signal: Signal, estimate: Estimate) -> list[Mark]:
    """The marks of the best message in the signal; none if noise might have made it."""
    cells = cells_of(signal, estimate.carrier_hz)
    sequence = best_sequence(cells, estimate)
    if sequence.score < ACCEPT_NATS:
        return []
    better = measure(cells, sequence, estimate)
    if has_moved(estimate, better):
        estimate = better
        cells = cells_of(signal, estimate.carrier_hz)
        sequence = best_sequence(cells, estimate, sequence)
        better = measure(cells, sequence, estimate)
    elif sequence.steady and estimate.weights(cells)[1] * sequence.slot >= SURE_NATS:
        sequence = best_loose(cells, sequence, estimate, sequence.slot * cells.step_s)
    estimate = replace(better, carrier_hz=estimate.carrier_hz)
    if sequence.score < ACCEPT_NATS:
        return []
    marks = list(decide_bits(cells, sequence, estimate))
    if not marks:
        return []
    known = replace(signal, deviation=estimate.deviation)
    correlator = correlate(known, estimate.carrier_hz, estimate.level)
    return find_holes_and_pulses(correlator, marks) if is_carrier(correlator, marks) else []


def _part(signal: Signal, from_s: float | None, to_s: float | None) -> Signal:
    first = 0 if from_s is None else max(0, round((from_s - signal.start_s) * signal.rate_hz))
    end = None if to_s is None else max(0, round((to_s - signal.start_s) * signal.rate_hz))
    return replace(
        signal,
        samples=signal.samples[first:end],
        start_s=signal.start_s + first / signal.rate_hz,
    )
