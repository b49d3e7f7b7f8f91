"""Holes in tone and pulses in quiet, where the marks of a message are known.

A hole shows by the nats that leaving it out gains, a pulse by its power over the noise. Noise
alone gains n nats once in e**n places, and a message has some thousand places.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus.event import Fault
from bridge.bus.keying.mark import Mark, in_ms
from bridge.signal.correlator import Correlator, places
from bridge.signal.likelihood import log_i0

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]
    Counts = NDArray[np.int64]
    Span = tuple[int, int]  # borders between samples

HOLE_NATS = 15.5  # nats gained by leaving a hole out: noise gains them in one of 1000 messages,
# of 5000 places each (computed)
PULSE_NATS = 16.0  # nats of a pulse over the noise, of which the same is true (computed)
HOLE_S = 50e-6  # s, shortest hole: a little more than a cycle (judgement)
HOLE_SHARE = 0.4  # of the level, most tone in a hole (judgement)
PULSE_SHARE = 0.55  # of the level, least tone in a pulse (judgement)
WIDTHS_S = (60e-6, 90e-6, 130e-6, 200e-6, 300e-6)  # s, lengths looked for (judgement)
STEP_S = 8e-6  # s between places looked at (judgement)
GUARD_S = 50e-6  # s beside an edge that are not judged (judgement)
REACH_S = 0.2e-3  # s beside an edge within which it is located again (judgement)
SEQUENCE_BLUR_S = 0.05e-3  # s, most error of an edge whose whole message was timed (judgement)
COARSE_HZ = 64e3  # samples a second below which even a whole message times edges ill (judgement)
MOST_BLUR_S = 0.1e-3  # s, error of edges up to which they are moved one by one (judgement)


def find_holes_and_pulses(correlator: Correlator, marks: Sequence[Mark]) -> list[Mark]:
    """The same marks, with faults where there is a hole in one or a pulse after it.

    `blur_s` of each is set, and edges of slow recordings are located again.
    """
    if not marks or correlator.level <= 0:
        return list(marks)
    first, end = places(correlator, marks)
    phases = correlator.fit(first, end)
    phases = np.where(phases == 0, 0, phases / np.maximum(np.abs(phases), 1e-300))
    fine, blur_s = correlator.rate_hz > COARSE_HZ, correlator.blur_s
    edges = [(int(a), int(b)) for a, b in zip(first, end, strict=True)]
    holes: dict[int, Span] = {}
    for n in range(len(marks)):
        low = edges[n - 1][1] if n else 0
        high = edges[n + 1][0] if n + 1 < len(edges) else len(correlator.turned) - 1
        hole, edges[n] = locate_tone(correlator, complex(phases[n]), edges[n], (low, high))
        if hole is not None:
            holes[n] = hole
    on, off = (np.array(side) for side in zip(*edges, strict=True))
    pulses = _scan(correlator, off[:-1], on[1:], GUARD_S, _pulse_nats)
    holes = (
        _scan(correlator, first, end, GUARD_S + min(blur_s, SEQUENCE_BLUR_S), _hole_nats) | holes
    )
    checked = []
    for n, mark in enumerate(marks):
        faults = list(mark.faults)
        if n in holes:
            what = f"no tone for about {_place(correlator, holes[n], marks[0].on_s)} inside a tone"
            faults.append(Fault("notch", what))
        if n in pulses:
            what = f"a pulse of about {_place(correlator, pulses[n], marks[0].on_s)}"
            faults.append(Fault("pulse", what))
        if fine:
            moved = replace(mark, blur_s=min(blur_s, SEQUENCE_BLUR_S))
        elif blur_s > MOST_BLUR_S:
            moved = replace(mark, blur_s=blur_s)
        else:
            on_s, off_s = correlator.time(edges[n][0]), correlator.time(edges[n][1])
            moved = replace(mark, on_s=on_s, off_s=off_s, blur_s=blur_s)
        checked.append(replace(moved, faults=tuple(faults)))
    return checked


def _place(correlator: Correlator, span: Span, origin_s: float) -> str:
    length_s = (span[1] - span[0]) / correlator.rate_hz
    return f"{in_ms(length_s)} at {in_ms(correlator.time(span[0]) - origin_s)}"


def locate_tone(
    correlator: Correlator, phase: complex, edges: Span, room: Span
) -> tuple[Span | None, Span]:
    """(a hole in a tone or None, its edges located again); `room` lies between its neighbours.

    The edges enclose the span of the highest log likelihood ratio. A hole is there if two such
    spans, HOLE_S apart or more, have HOLE_NATS more together than the one.
    """
    if phase == 0:
        return None, edges
    reach = round(REACH_S * correlator.rate_hz)
    low = max(edges[0] - reach, (edges[0] + room[0] + 1) // 2, 0)
    high = min(edges[1] + reach, (edges[1] + room[1]) // 2)
    sums = correlator.nats(phase, low, high)
    from_start = sums - np.minimum.accumulate(sums)
    off = int(from_start.argmax())
    on = int(sums[: off + 1].argmin())
    if _is_other_tone(correlator, edges[0], low + on):
        on = edges[0] - low
    if _is_other_tone(correlator, low + off, edges[1]):
        off = edges[1] - low
    shortest = max(2, round(HOLE_S * correlator.rate_hz))
    if off - on <= 3 * shortest:
        return None, (low + on, low + off)
    best = np.maximum.accumulate(from_start)  # the best stretch that ends so far
    second = best[:-shortest] - sums[shortest:]  # begun a hole after it
    twice = sums[shortest:] + np.maximum.accumulate(second)
    last = int(twice.argmax())
    if twice[last] - from_start[off] < HOLE_NATS:
        return None, (low + on, low + off)
    begun = int(second[: last + 1].argmax())
    hole_end = begun + shortest
    hole_start = int(from_start[: begun + 1].argmax())
    on = int(sums[: hole_start + 1].argmin())
    off = last + shortest
    hole = (low + hole_start, low + hole_end)
    if (
        min(hole_start - on, off - hole_end) < shortest
        or _share(correlator, phase, hole) > HOLE_SHARE
    ):
        return None, (low + on, low + off)
    return hole, (low + on, low + off)


def _share(correlator: Correlator, phase: complex, span: Span) -> float:
    """The tone in this phase, as a share of the level."""
    z = correlator.turned[span[1]] - correlator.turned[span[0]]
    image = correlator.images[span[1]] - correlator.images[span[0]]
    power = (span[1] - span[0] + np.real(np.conj(phase) ** 2 * image)) / 2
    return float(np.real(np.conj(phase) * z) / max(power * correlator.level, 1e-300))


def _is_other_tone(correlator: Correlator, first: int, end: int) -> bool:
    """Whether what an edge would leave out is tone too, in another phase."""
    return (end - first) / correlator.rate_hz > HOLE_S and is_tone(correlator, first, end)


def is_tone(correlator: Correlator, first: int, end: int) -> bool:
    """Whether there is tone in any phase between two sample borders."""
    tone = complex(correlator.fit(np.array([first]), np.array([end]))[0])
    z = complex(correlator.turned[end] - correlator.turned[first])
    nats = (tone.conjugate() * z).real / (2 * correlator.deviation**2)
    return bool(nats > PULSE_NATS / 2 and abs(tone) > PULSE_SHARE * correlator.level)


def _scan(
    correlator: Correlator,
    begin: Counts,
    end: Counts,
    guard_s: float,
    nats_of: Callable[[Correlator, Counts, Counts], Reals],
) -> dict[int, Span]:
    """Number of a span from `begin` to `end` -> the place in it with most nats, if any has some.

    `nats_of` gives 0 for a place without a flaw.
    """
    guard = round(guard_s * correlator.rate_hz)
    starts = np.arange(0, len(correlator.turned) - 1, max(1, round(STEP_S * correlator.rate_hz)))
    owner = np.searchsorted(begin + guard, starts, side="right") - 1
    room = np.where(owner >= 0, (end - guard)[owner] - starts, 0) if len(end) else 0 * starts
    found: dict[int, Span] = {}
    most: dict[int, float] = {}
    for width_s in WIDTHS_S:
        width = max(3, round(width_s * correlator.rate_hz))
        fitting = np.flatnonzero(room >= width)
        some = starts[fitting]
        nats = nats_of(correlator, some, some + width)
        for n in np.flatnonzero(nats).tolist():
            span = int(owner[fitting[n]])
            if nats[n] > most.get(span, 0.0):
                most[span], found[span] = float(nats[n]), (int(some[n]), int(some[n]) + width)
    return found


def _pulse_nats(correlator: Correlator, first: Counts, end: Counts) -> Reals:
    """Nats for tone of any phase between sample borders."""
    tones = correlator.fit(first, end)
    nats = correlator.explain(tones, first, end) / (2 * correlator.deviation**2)
    is_pulse = (nats > PULSE_NATS) & (np.abs(tones) > PULSE_SHARE * correlator.level)
    return np.where(is_pulse, nats, 0.0)


def _hole_nats(correlator: Correlator, first: Counts, end: Counts) -> Reals:
    """Nats against tone of any phase, in which it may begin again after a hole."""
    tones = correlator.fit(first, end)
    held = correlator.explain(tones, first, end) / (2 * correlator.deviation**2)
    full = correlator.level**2 * (end - first) / (4 * correlator.deviation**2)
    nats = full - log_i0(2 * np.sqrt(full * np.maximum(held, 0.0)))
    known = np.abs(correlator.images[end] - correlator.images[first]) < (end - first) / 2
    is_hole = (nats > HOLE_NATS) & known & (np.abs(tones) < HOLE_SHARE * correlator.level)
    return np.where(is_hole, nats, 0.0)
