"""Marks of a clear tone, measured again where the envelope leaves them in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark
from bridge.signal.correlator import Correlator, correlate, places
from bridge.signal.holes import (
    COARSE_HZ,
    HOLE_NATS,
    HOLE_S,
    find_holes_and_pulses,
    is_tone,
    locate_tone,
)

if TYPE_CHECKING:
    from bridge.signal.baseband import Signal

LEAST_S = 0.34e-3  # s, shorter tone or quiet is no slot (judgement)
LONGEST_S = 1.5e-3  # s, longer tone is no bit and has no single phase to fit (judgement)
FINER_S = 0.018e-3  # s by which edges located again are known more finely (judgement)


def refine(signal: Signal, marks: Sequence[Mark], carrier_hz: float, grain_s: float) -> list[Mark]:
    """The marks, measured again where holes, pulses or slots out of their bounds are in doubt.

    Holes that are none are closed, pulses that are none are dropped. If a slot lies out of its
    bounds all edges are located again, with the `blur_s` that noise gives them. `grain_s` is
    how finely the envelope times an edge.
    """
    coarse = signal.rate_hz < COARSE_HZ  # a hole may not show in the size of the tone
    doubtful = _is_doubtful(marks, grain_s)
    if not marks or not (coarse or doubtful):
        return list(marks)
    correlator = correlate(signal, carrier_hz, None, marks)
    if correlator.level <= 0:
        return list(marks)
    closed = _close_holes(correlator, marks)
    if coarse and all(mark.length_s <= LONGEST_S for mark in closed):
        checked = find_holes_and_pulses(correlator, closed)
        if doubtful:
            return checked
        return [replace(old, faults=new.faults) for old, new in zip(closed, checked, strict=True)]
    tones = [m for m in closed if m.length_s >= LEAST_S or _is_tone(correlator, m)] or closed
    first, end = places(correlator, tones)
    phases = correlator.fit(first, end)
    blur_s = correlator.blur_s - FINER_S
    refined = []
    for n, mark in enumerate(tones):
        low = int(end[n - 1]) if n else 0
        high = int(first[n + 1]) if n + 1 < len(tones) else len(correlator.turned) - 1
        phase = complex(phases[n] / max(abs(phases[n]), 1e-300))
        _, (on, off) = locate_tone(correlator, phase, (int(first[n]), int(end[n])), (low, high))
        refined.append(
            replace(mark, on_s=correlator.time(on), off_s=correlator.time(off), blur_s=blur_s)
            if phase and LEAST_S <= mark.length_s <= LONGEST_S
            else mark
        )
    return refined


def _is_doubtful(marks: Sequence[Mark], grain_s: float) -> bool:
    """Whether any tone or quiet of slots may lie out of its bounds."""
    tones = [mark.length_s for mark in marks]
    quiets = [after.on_s - before.off_s for before, after in pairwise(marks)]
    return any(_is_off(each_s, grain_s) for each_s in (*tones, *quiets) if each_s <= LONGEST_S)


def _is_off(length_s: float, grain_s: float) -> bool:
    """Whether tone or quiet is near the borders of one and of two slots, or beyond."""
    slots = 1 if length_s < 1.4 * std.SLOT_S else 2
    return abs(length_s / slots - std.SLOT_S) > std.SLOT_TOLERANCE_S - grain_s


def _close_holes(correlator: Correlator, marks: Sequence[Mark]) -> list[Mark]:
    """The marks, joined where the quiet between two is no slot and no hole."""
    closed = [marks[0]]
    for mark in marks[1:]:
        last = closed[-1]
        if mark.on_s - last.off_s < LEAST_S and not _is_hole(correlator, last, mark):
            closed[-1] = replace(last, off_s=mark.off_s)
        else:
            closed.append(mark)
    return closed


def _is_hole(correlator: Correlator, before: Mark, after: Mark) -> bool:
    """Whether there is no tone between two marks, in the phase of either."""
    hole = (correlator.place(before.off_s), correlator.place(after.on_s))
    if after.on_s - before.off_s < HOLE_S:
        return False
    for mark in (before, after):
        first, end = places(correlator, (mark,))
        tone = complex(correlator.fit(first, end)[0])
        if tone == 0:
            continue
        phase = tone / abs(tone)
        if correlator.nats(phase, *hole)[-1] > -HOLE_NATS / 2:
            return False
    return True


def _is_tone(correlator: Correlator, mark: Mark) -> bool:
    """Whether a short mark is tone, and no ripple of the envelope."""
    return is_tone(correlator, correlator.place(mark.on_s), correlator.place(mark.off_s))
