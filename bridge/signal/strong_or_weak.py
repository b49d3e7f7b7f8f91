"""A segment of samples -> marks: by the clear-tone detector, or near the noise by the weak one.

The switch is the level of the tone over the noise, CLEAR_RATIO. It is set for the segment first,
and then part by part, for each sender may have a level of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying.keying import BURST_A_S
from bridge.signal.baseband import (
    Baseband,
    Signal,
    decimate,
    downconvert,
    estimate_carrier,
    moving_average,
    quantile,
)
from bridge.signal.nyquist import (
    NEAR_NYQUIST,
    NEAR_NYQUIST_NOISE,
    drop_ambiguous_carriers,
    mark_unreadable,
)
from bridge.signal.strong import LEAST_VPP, SEEK_HZ, SEEK_ROWS, cut_points, measure_tone
from bridge.signal.weak.detect import detect_weak

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.keying.mark import Mark
    from bridge.signal.activity import Segment

CLEAR_RATIO = 8.5  # envelope of tone over that of noise, 24.7 dB a slot; from here the envelope
# alone shows where tone is; judgement
QUIET_DEVIATIONS = 0.5  # of noise, that a tenth of a half quiet segment stays below; judgement
QUIET_SHARE = 0.7  # of that tenth, which noise is at least; judgement
POWER_S = 0.7 * std.SLOT_S  # s over which power is averaged for the level; judgement
ROUGH_SHARE = 0.15  # of the highest level, where each part has a level of its own yet; judgement
ROUGH_RATIO = 5.0  # over noise, likewise; judgement
PART_S = 4e-3  # s of quiet after which level and carrier are measured anew; judgement
PIECE_S = 1.6e-3  # s of quiet that parts a continuous tone from a message close to it; judgement
UNBROKEN_SHARE = 0.97  # of the points of a continuous tone lie above, noise or not; judgement
BORDER_S = 0.2e-3  # s from the border of a segment, at which a tone goes on beyond it; judgement


def is_weak(level: float, noise: float) -> bool:
    """Whether a tone stands too near the noise for its envelope to show where it is.

    >>> is_weak(1.0, 0.1), is_weak(1.0, 0.2), is_weak(1.0, 0.0)
    (False, True, False)
    """
    return level < CLEAR_RATIO * noise


def detect_marks(segment: Segment, rate_hz: float, start_s: float, *, volts: bool) -> list[Mark]:
    """The marks in a segment; `start_s` is the time of the trace's first sample.

    A mark reaches to the border of a segment that `opens` or `closes` in a tone.
    """
    signal = decimate(segment, rate_hz, start_s)
    base = downconvert(signal, estimate_carrier(signal, SEEK_HZ, SEEK_ROWS))
    if not len(base.points):
        return []
    quiet = quantile(base.envelope, 0.1)
    noise = max(min(base.noise, quiet / QUIET_DEVIATIONS), QUIET_SHARE * quiet)
    power = moving_average(base.envelope**2, round(POWER_S / base.step_s))
    level = float(np.sqrt(power.max()))
    if not 0 < level < np.inf or (volts and 2 * level < LEAST_VPP):
        return []
    if base.noise > 0 and is_weak(level, noise):
        marks = detect_weak(signal)
    else:
        marks = _detect_parts(signal, base, level, noise, volts=volts)
    marks = drop_ambiguous_carriers(marks, signal.rate_hz)
    begin_s = start_s + segment.first / rate_hz
    end_s = begin_s + len(segment.samples) / rate_hz
    if marks and segment.opens and marks[0].on_s - begin_s < BORDER_S:
        marks[0] = replace(marks[0], on_s=begin_s)
    if marks and segment.closes and end_s - marks[-1].off_s < BORDER_S:
        marks[-1] = replace(marks[-1], off_s=end_s)
    return marks


def _detect_parts(
    signal: Signal, base: Baseband, level: float, noise: float, *, volts: bool
) -> list[Mark]:
    """Marks part by part: each by the strong detector where it is clear, else by the weak one."""
    is_tone = base.envelope > max(ROUGH_SHARE * level, ROUGH_RATIO * noise)
    parts = list(_find_parts(is_tone, base.step_s))
    near_nyquist = base.carrier_hz > NEAR_NYQUIST * signal.rate_hz
    marks: list[Mark] = []
    for n, (first, end) in enumerate(parts):
        if not near_nyquist:
            tone = measure_tone(signal, base, first, end)
            if not tone.is_tone(volts=volts):
                continue
            if not (base.noise > 0 and is_weak(tone.level, noise)):
                marks += tone.marks(volts=volts)
                continue
        low = (parts[n - 1][1] + first) // 2 if n else 0
        high = (end + parts[n + 1][0]) // 2 if n + 1 < len(parts) else len(base.points)
        piece = cut_points(signal, base, low, high)
        least_noise = NEAR_NYQUIST_NOISE * level if near_nyquist else 0.0
        found = detect_weak(replace(piece, deviation=max(piece.deviation, least_noise)))
        if near_nyquist and not found:
            found = mark_unreadable(piece)
        marks += found
    return marks


def _find_parts(is_tone: NDArray[np.bool_], step_s: float) -> Iterator[tuple[int, int]]:
    """(first, end) of parts of one sender each.

    Where a continuous tone lies close to a message, they are parts of their own.
    """
    burst_s = BURST_A_S[0]
    for first, end in _find_runs(is_tone, step_s, PART_S):
        pieces = [(first, end)]
        if (end - first) * step_s > burst_s:
            runs = _find_runs(is_tone[first:end], step_s, PIECE_S)
            pieces = [(first + start, first + stop) for start, stop in runs]
        unbroken = (
            (stop - start) * step_s > burst_s and is_tone[start:stop].mean() > UNBROKEN_SHARE
            for start, stop in pieces
        )
        if len(pieces) > 1 and any(unbroken):
            yield from pieces
        else:
            yield first, end


def _find_runs(
    is_tone: NDArray[np.bool_], step_s: float, quiet_s: float
) -> Iterator[tuple[int, int]]:
    """(first, end) of runs of points with tone, where longer quiet lies between them."""
    places = np.flatnonzero(is_tone)
    if not len(places):
        return
    breaks = np.flatnonzero(np.diff(places) > round(quiet_s / step_s))
    firsts = [int(places[0]), *places[breaks + 1].tolist()]
    lasts = [*places[breaks].tolist(), int(places[-1])]
    for first, last in zip(firsts, lasts, strict=True):
        yield first, last + 1
