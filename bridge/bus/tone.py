"""A stretch of samples -> marks: where there is tone, its carrier and its level.

The samples are turned down by the carrier and smoothed over two of its cycles with a raised
cosine that is blind to the supply and its slope; tone is where the size of that passes half of
the message's level. Where noise stands too near for that, `soft` decides over whole slots.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying import Mark

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.skim import Stretch

    Floats = NDArray[np.float32]
    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex64]

ENOUGH_HZ = 250e3  # samples a second that show all there is to see; faster ones are averaged
STEP_S = 10e-6  # s between points of the smoothed tone
SEEK_HZ = (14e3, 32e3)  # Hz, where a carrier is looked for
SEEK_S = 1e-3  # s, stretches whose spectra are averaged to find the carrier
CLEAR_RATIO = 8.5  # level over noise from which tone is told by its size alone (24.7 dB a slot)
ROUGH = 0.3  # of the highest level: where tone is looked for before each message's level is known
PART_S = 4e-3  # s of quiet after which level and carrier are taken anew
EDGE_S = 60e-6  # s at either end of a mark that the smoothing touches
UPPER, LOWER = 0.6, 0.4  # of the level: tone begins above, ends below
BORDER_S = 0.2e-3  # s from the border of a stretch at which a tone goes on beyond it
PAD_S = 1e-3  # s of quiet taken along on either side of a part
LEVEL_MARKS = 12  # marks whose samples tell the level
RAW_LEVEL_NOISE = 0.08  # of the level: noise of a sample below which its extremes are believed
PUREST_CLICK = 0.7  # coherence over two cycles, 1 for a tone, below which it is none
FAINTEST_VPP = 0.1  # V peak to peak: a third of what a device on the bus must detect
NEAR_HZ = 400.0  # Hz, a carrier found this near needs no second pass


@dataclass(frozen=True, slots=True)
class Signal:
    """Samples from `start_s` on; `deviation` is that of the noise of one sample."""

    samples: Floats
    rate_hz: float
    start_s: float
    deviation: float


@dataclass(frozen=True, slots=True)
class Baseband:
    """Tone turned down by `carrier_hz`: point n lies at `start_s + n * step_s`.

    `size` is the amplitude of a tone. `noise` is the deviation of one component.
    """

    points: Complexes
    size: Reals
    start_s: float
    step_s: float
    carrier_hz: float
    noise: float


@lru_cache(maxsize=64)
def _taps(rate_hz: float, carrier_hz: float) -> tuple[NDArray[np.float32], float]:
    """Raised cosine over two cycles, times the carrier; and the noise it lets through."""
    count = max(7, round(2 * rate_hz / carrier_hz) | 1)
    n = np.arange(count) - (count - 1) / 2
    window = 0.5 + 0.5 * np.cos(2 * np.pi * n / (count + 1))
    angle = 2 * np.pi * carrier_hz / rate_hz * n
    blind = np.stack([np.ones(count), n / count], axis=1) * np.sqrt(window)[:, None]
    taps = []
    for wave in (np.cos(angle), -np.sin(angle)):
        root = np.sqrt(window) * wave
        fit, *_ = np.linalg.lstsq(blind, root, rcond=None)
        rest = (root - blind @ fit) * np.sqrt(window)
        taps.append(rest / (rest @ wave))
    table = np.stack(taps, axis=1)
    noise = float(np.sqrt(np.mean(np.sum(table**2, axis=0))))
    return np.asfortranarray(table, dtype=np.float32), noise


def thin(stretch: Stretch, rate_hz: float, start_s: float) -> Signal:
    """Averages of neighbours, where the rate is more than enough."""
    samples = stretch.samples
    begin_s = start_s + stretch.first / rate_hz
    deviation = float(np.sqrt(stretch.floor / 2))
    ratio = int(rate_hz / ENOUGH_HZ)
    if ratio < 2:
        return Signal(samples, rate_hz, begin_s, deviation)
    whole = len(samples) // ratio
    mean = np.full(ratio, 1 / ratio, dtype=np.float32)
    return Signal(
        samples[: whole * ratio].reshape(whole, ratio) @ mean,
        rate_hz / ratio,
        begin_s + (ratio - 1) / 2 / rate_hz,
        deviation / np.sqrt(ratio),
    )


def find_carrier(signal: Signal) -> float:
    """The frequency in Hz of the strongest tone in the band, phases not regarded."""
    count = max(16, round(signal.rate_hz * SEEK_S))
    if len(signal.samples) < count:
        return std.CARRIER_HZ
    rows = np.lib.stride_tricks.sliding_window_view(signal.samples, count)[:: count // 2]
    window = np.hanning(count + 2)[1:-1].astype(np.float32)
    rows = (rows - rows.mean(axis=1, keepdims=True)) * window
    size = 1 << (2 * count - 1).bit_length()
    power = np.square(np.abs(np.fft.rfft(rows, n=size, axis=1))).sum(axis=0)
    hz = np.fft.rfftfreq(size, 1 / signal.rate_hz)
    band = np.flatnonzero((hz >= SEEK_HZ[0]) & (hz <= min(SEEK_HZ[1], 0.49 * signal.rate_hz)))
    if not len(band) or not power[band].max() > 0:
        return std.CARRIER_HZ
    return float(hz[band[np.argmax(power[band])]])


def turn_down(signal: Signal, carrier_hz: float) -> Baseband:
    """Bring the carrier to zero frequency."""
    rate_hz = signal.rate_hz
    taps, noise = _taps(rate_hz, round(carrier_hz / 20) * 20.0)
    hop = max(1, round(rate_hz * STEP_S))
    count = len(taps)
    if len(signal.samples) < count:
        points = np.zeros(0, dtype=np.complex64)
    else:
        rows = np.lib.stride_tricks.sliding_window_view(signal.samples, count)[::hop]
        points = (np.ascontiguousarray(rows) @ taps).view(np.complex64)[:, 0]
        turns = carrier_hz / rate_hz * hop * np.arange(len(points))
        points = points * np.exp(-2j * np.pi * (turns % 1.0)).astype(np.complex64)
    return Baseband(
        points,
        np.abs(points).astype(np.float64),
        signal.start_s + (count - 1) / 2 / rate_hz,
        hop / rate_hz,
        carrier_hz,
        noise * signal.deviation,
    )


def hear(stretch: Stretch, rate_hz: float, start_s: float, *, volts: bool) -> list[Mark]:
    """The marks in a stretch; `start_s` is the time of the trace's first sample.

    A mark reaches to the border of a stretch that `opens` or `closes` in a tone.
    """
    signal = thin(stretch, rate_hz, start_s)
    base = turn_down(signal, find_carrier(signal))
    if not len(base.points):
        return []
    noise = max(base.noise, 0.7 * float(np.quantile(base.size, 0.1)))
    level = float(np.sqrt(_smooth(base.size**2, round(0.7 * std.SLOT_S / base.step_s)).max()))
    if not 0 < level < np.inf:
        return []
    marks: list[Mark] = []
    for first, end in _parts(base.size > max(ROUGH * level, 5 * noise), base.step_s):
        marks += _hear_part(signal, base, first, end, volts=volts)
    begin_s = start_s + stretch.first / rate_hz
    end_s = begin_s + len(stretch.samples) / rate_hz
    if marks and stretch.opens and marks[0].on_s - begin_s < BORDER_S:
        marks[0] = replace(marks[0], on_s=begin_s)
    if marks and stretch.closes and end_s - marks[-1].off_s < BORDER_S:
        marks[-1] = replace(marks[-1], off_s=end_s)
    return marks


def _smooth(values: Reals, count: int) -> Reals:
    count = max(1, min(count, len(values)))
    total = np.concatenate(([0.0], np.cumsum(values)))
    averages: Reals = (total[count:] - total[:-count]) / count
    return averages


def _parts(tone: NDArray[np.bool_], step_s: float) -> Iterator[tuple[int, int]]:
    """(first, end) of runs of points with tone, parted by longer quiet."""
    at = np.flatnonzero(tone)
    if not len(at):
        return
    breaks = np.flatnonzero(np.diff(at) > round(PART_S / step_s))
    firsts = [int(at[0]), *at[breaks + 1].tolist()]
    ends = [*at[breaks].tolist(), int(at[-1])]
    for first, end in zip(firsts, ends, strict=True):
        yield first, end + 1


def _hear_part(signal: Signal, base: Baseband, first: int, end: int, *, volts: bool) -> list[Mark]:
    """Marks between two times of quiet, at their own level and carrier."""
    pad = round(PAD_S / base.step_s)
    hop = round(base.step_s * signal.rate_hz)
    start = max(0, first - pad) * hop
    part = Signal(
        signal.samples[start : (end + pad) * hop],
        signal.rate_hz,
        signal.start_s + start / signal.rate_hz,
        signal.deviation,
    )
    span = slice(max(0, first - pad), end + pad)
    own = replace(base, points=base.points[span], size=base.size[span])
    own = replace(own, start_s=base.start_s + span.start * base.step_s)
    level, carrier_hz, purity = _measure(own)
    if abs(carrier_hz - base.carrier_hz) > NEAR_HZ:
        own = turn_down(part, carrier_hz)
        level, carrier_hz, purity = _measure(own)
    if purity < PUREST_CLICK or (volts and 2 * level < FAINTEST_VPP):
        return []
    spans = _spans(own.size, level)
    level_vpp = _level_vpp(part, own, spans, level) if volts else None
    return [
        Mark(
            own.start_s + on * own.step_s,
            own.start_s + off * own.step_s,
            carrier_hz=carrier_hz,
            level_vpp=level_vpp,
        )
        for on, off in spans
    ]


def _measure(base: Baseband) -> tuple[float, float, float]:
    """(level, carrier in Hz, purity) of the tone in these points; a click has purity 0."""
    lag = max(1, round(2 / base.carrier_hz / base.step_s))
    peak = float(base.size.max())
    tone = base.size > peak / 2
    inside = tone[lag:-lag] & tone[: -2 * lag] & tone[2 * lag :]
    if not inside.any():
        return peak, base.carrier_hz, 0.0
    level = float(np.median(base.size[lag:-lag][inside]))
    before, here = base.points[: -2 * lag][inside], base.points[lag:-lag][inside]
    turn = np.vdot(before, here)
    purity = float(np.abs(turn) / np.sqrt(np.vdot(before, before).real * np.vdot(here, here).real))
    shift_hz = float(np.angle(turn)) / (2 * np.pi * lag * base.step_s)
    return level, base.carrier_hz + shift_hz, purity


def _spans(size: Reals, level: float) -> list[tuple[float, float]]:
    """(on, off) in points, between points, where the size passes half of the level."""
    state = np.where(size > UPPER * level, 1, np.where(size < LOWER * level, -1, 0))
    known = np.flatnonzero(state)
    if not len(known):
        return []
    signs = state[known]
    turns = np.flatnonzero(np.diff(signs)) + 1
    half = level / 2
    spans: list[tuple[float, float]] = []
    on: float | None = 0.0 if signs[0] > 0 else None
    for turn in turns.tolist():
        before, after = int(known[turn - 1]), int(known[turn])
        run = size[before : after + 1]
        if signs[turn] > 0:
            n = int(np.flatnonzero(run <= half)[-1])
            on = before + n + (half - run[n]) / (run[n + 1] - run[n])
        elif on is not None:
            n = int(np.flatnonzero(run > half)[-1])
            spans.append((float(on), float(before + n + (run[n] - half) / (run[n] - run[n + 1]))))
            on = None
    if on is not None:
        spans.append((float(on), float(len(size) - 1)))
    return spans


def _level_vpp(
    part: Signal, base: Baseband, spans: list[tuple[float, float]], level: float
) -> float:
    """Peak to peak of the tone: of the samples where noise allows, else of a sine of its size."""
    if part.deviation > RAW_LEVEL_NOISE * level:
        return 2 * level
    edge = EDGE_S / base.step_s
    hop = round(base.step_s * part.rate_hz)
    tones = []
    for on, off in spans[:LEVEL_MARKS]:
        tone = part.samples[round((on + edge) * hop) : round((off - edge) * hop)]
        if len(tone) > 4:
            tones.append(tone - tone.mean())
    if not tones:
        return 2 * level
    low, high = np.quantile(np.concatenate(tones), (0.015, 0.985))
    return float(high - low)
