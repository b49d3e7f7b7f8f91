"""A stretch of samples -> marks: where there is tone, its carrier and its level.

The samples are turned down by the carrier and smoothed over two of its cycles with a raised
cosine that is blind to the supply and its slope; tone is where the size of that passes half of
the message's level. Where noise stands too near for that, `weak` decides over whole slots.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying.keying import BURST_A_S
from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import (
    Baseband,
    Signal,
    decimate,
    downconvert,
    estimate_carrier,
    moving_average,
    quantile,
)
from bridge.signal.level import is_pure_tone, measure_level_vpp, tone_samples
from bridge.signal.nyquist import (
    NEAR_NYQUIST,
    NEAR_NYQUIST_NOISE,
    drop_ambiguous_carriers,
    mark_unreadable,
)
from bridge.signal.refine import refine
from bridge.signal.weak import detect_weak

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.signal.activity import Segment

    Floats = NDArray[np.float32]
    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex64]

SEEK_HZ = (14e3, 32e3)  # Hz, where a carrier is looked for
SEEK_ROWS = 24  # ms of a clear stretch that are enough to find it
CLEAR_RATIO = 8.5  # level over noise from which tone is told by its size alone (24.7 dB a slot)
QUIET_SHARE = 0.5  # deviations that a tenth of a stretch, half quiet, stays below
ROUGH = 0.15  # of the highest level: where tone is looked for before each message's level is known
PART_S = 4e-3  # s of quiet after which level and carrier are taken anew
PIECE_S = 1.6e-3  # s of quiet at which a tone is parted from what lies close to it
UNBROKEN = 0.97  # of the points of a tone stay above, whatever noise does
UPPER, LOWER = 0.6, 0.4  # of the level: tone begins above, ends below
BORDER_S = 0.2e-3  # s from the border of a stretch at which a tone goes on beyond it
PAD_S = 1e-3  # s of quiet taken along on either side of a part
PUREST_CLICK = 0.7  # coherence over two cycles, 1 for a tone, below which it is none
FAINTEST_VPP = 0.1  # V peak to peak: a third of what a device on the bus must detect
DOUBT_S = 0.01e-3  # s within the bounds of a slot, where it is measured again
NEAR_HZ = 400.0  # Hz, a carrier found this near needs no second pass


def hear(stretch: Segment, rate_hz: float, start_s: float, *, volts: bool) -> list[Mark]:
    """The marks in a stretch; `start_s` is the time of the trace's first sample.

    A mark reaches to the border of a stretch that `opens` or `closes` in a tone.
    """
    signal = decimate(stretch, rate_hz, start_s)
    base = downconvert(signal, estimate_carrier(signal, SEEK_HZ, SEEK_ROWS))
    if not len(base.points):
        return []
    quiet = quantile(base.envelope, 0.1)
    noise = max(min(base.noise, quiet / QUIET_SHARE), 0.7 * quiet)
    power = moving_average(base.envelope**2, round(0.7 * std.SLOT_S / base.step_s))
    level = float(np.sqrt(power.max()))
    if not 0 < level < np.inf or (volts and 2 * level < FAINTEST_VPP):
        return []
    faint = base.noise > 0 and level < CLEAR_RATIO * noise
    marks = detect_weak(signal) if faint else _hear_parts(signal, base, level, noise, volts=volts)
    marks = drop_ambiguous_carriers(marks, signal.rate_hz)
    begin_s = start_s + stretch.first / rate_hz
    end_s = begin_s + len(stretch.samples) / rate_hz
    if marks and stretch.opens and marks[0].on_s - begin_s < BORDER_S:
        marks[0] = replace(marks[0], on_s=begin_s)
    if marks and stretch.closes and end_s - marks[-1].off_s < BORDER_S:
        marks[-1] = replace(marks[-1], off_s=end_s)
    return marks


def _hear_parts(
    signal: Signal, base: Baseband, level: float, noise: float, *, volts: bool
) -> list[Mark]:
    """Marks part by part; a part too near the noise is given to the other receiver."""
    parts = list(_parts_by_tone(base.envelope > max(ROUGH * level, 5 * noise), base.step_s))
    marks: list[Mark] = []
    near_half = base.carrier_hz > NEAR_NYQUIST * signal.rate_hz
    for n, (first, end) in enumerate(parts):
        heard = None
        if not near_half:
            heard = _hear_part(signal, base, first, end, noise, volts=volts)
        if heard is None:
            low = (parts[n - 1][1] + first) // 2 if n else 0
            high = (end + parts[n + 1][0]) // 2 if n + 1 < len(parts) else len(base.points)
            rough = NEAR_NYQUIST_NOISE * level if near_half else 0.0
            piece = _cut(signal, base, low, high)
            heard = detect_weak(replace(piece, deviation=max(piece.deviation, rough)))
            if near_half and not heard:
                heard = mark_unreadable(piece)
        marks += heard
    return marks


def _parts_by_tone(tone: NDArray[np.bool_], step_s: float) -> Iterator[tuple[int, int]]:
    """Parts of one sender each: where a continuous tone lies close to a message, both apart."""
    for first, end in _parts(tone, step_s, PART_S):
        pieces = [(first, end)]
        if (end - first) * step_s > BURST_A_S[0]:
            pieces = [
                (first + start, first + stop)
                for start, stop in _parts(tone[first:end], step_s, PIECE_S)
            ]
        unbroken = (
            (stop - start) * step_s > BURST_A_S[0] and tone[start:stop].mean() > UNBROKEN
            for start, stop in pieces
        )
        if len(pieces) > 1 and any(unbroken):
            yield from pieces
        else:
            yield first, end


def _cut(signal: Signal, base: Baseband, first: int, end: int) -> Signal:
    """The samples under some points."""
    hop = round(base.step_s * signal.rate_hz)
    start = max(0, first) * hop
    return replace(
        signal,
        samples=signal.samples[start : end * hop],
        start_s=signal.start_s + start / signal.rate_hz,
    )


def _parts(tone: NDArray[np.bool_], step_s: float, quiet_s: float) -> Iterator[tuple[int, int]]:
    """(first, end) of runs of points with tone, parted by longer quiet."""
    at = np.flatnonzero(tone)
    if not len(at):
        return
    breaks = np.flatnonzero(np.diff(at) > round(quiet_s / step_s))
    firsts = [int(at[0]), *at[breaks + 1].tolist()]
    ends = [*at[breaks].tolist(), int(at[-1])]
    for first, end in zip(firsts, ends, strict=True):
        yield first, end + 1


def _hear_part(
    signal: Signal, base: Baseband, first: int, end: int, noise: float, *, volts: bool
) -> list[Mark] | None:
    """Marks between two times of quiet, at their own level and carrier; None among noise."""
    pad = round(PAD_S / base.step_s)
    part = _cut(signal, base, first - pad, end + pad)
    span = slice(max(0, first - pad), end + pad)
    own = replace(base, points=base.points[span], envelope=base.envelope[span])
    own = replace(own, start_s=base.start_s + span.start * base.step_s)
    level, carrier_hz, purity = _measure(own)
    if abs(carrier_hz - base.carrier_hz) > NEAR_HZ:
        own = downconvert(part, estimate_carrier(part, SEEK_HZ, SEEK_ROWS))
        level, carrier_hz, purity = _measure(own)
    if purity < PUREST_CLICK or (volts and 2 * level < FAINTEST_VPP):
        return []
    if base.noise > 0 and level < CLEAR_RATIO * noise:
        return None
    spans = _spans(own.envelope, level)
    tones = tone_samples(part, own, spans)
    if not is_pure_tone(tones, level, part.deviation):
        return []
    level_vpp, level_span = None, (1.0, 1.0)
    if volts:
        level_vpp, level_span = measure_level_vpp(tones, part, carrier_hz, level)
    marks = [
        Mark(
            own.start_s + on * own.step_s,
            own.start_s + off * own.step_s,
            carrier_hz=carrier_hz,
            level_vpp=level_vpp,
            level_span=level_span,
        )
        for on, off in spans
    ]
    return refine(part, marks, carrier_hz, DOUBT_S + 1 / part.rate_hz)


def _measure(base: Baseband) -> tuple[float, float, float]:
    """(level, carrier in Hz, purity) of the tone in these points; a click has purity 0."""
    lag = max(1, round(2 / base.carrier_hz / base.step_s))
    peak = float(base.envelope.max())
    tone = base.envelope > peak / 2
    inside = tone[lag:-lag] & tone[: -2 * lag] & tone[2 * lag :]
    if not inside.any():
        return peak, base.carrier_hz, 0.0
    level = quantile(base.envelope[lag:-lag][inside], 0.5)
    before, here = base.points[: -2 * lag][inside], base.points[lag:-lag][inside]
    turn = np.vdot(before, here)
    sizes = np.sqrt(np.vdot(before, before).real) * np.sqrt(np.vdot(here, here).real)
    purity = float(np.abs(turn) / sizes)
    shift_hz = float(np.angle(turn)) / (2 * np.pi * lag * base.step_s)
    return level, base.carrier_hz + shift_hz, purity


def _spans(size: Reals, level: float) -> list[tuple[float, float]]:
    """(on, off) in points, between points, where the size passes half of the level.

    A tone begins where the size passes from below LOWER to above UPPER, whatever lies between.
    """
    known = np.flatnonzero((size > UPPER * level) | (size < LOWER * level))
    if not len(known):
        return []
    high = size[known] > level / 2
    turns = np.flatnonzero(high[1:] != high[:-1]) + 1
    half = level / 2
    above = size > half
    # The crossing: the last point below half before a tone, the last above it before quiet.
    crossed = np.flatnonzero(above[1:] != above[:-1])
    last = np.searchsorted(crossed, known[turns], side="left") - 1
    before = crossed[last] if len(turns) else crossed[:0]
    places = before + (size[before] - half) / (size[before] - size[before + 1])
    ends = places.tolist()
    if high[0]:
        ends.insert(0, 0.0)
    if len(ends) % 2:
        ends.append(float(len(size) - 1))
    return list(zip(ends[::2], ends[1::2], strict=True))
