"""Samples -> the tone in them, turned down to zero frequency and smoothed over two cycles.

The smoothing is a raised cosine, blind to the supply and its slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.skim import Stretch

    Floats = NDArray[np.float32]
    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex64]

ENOUGH_HZ = 250e3  # samples a second that show all there is to see; faster ones are averaged
STEP_S = 10e-6  # s between points of the smoothed tone
SEEK_S = 1e-3  # s, stretches whose spectra are averaged to find the carrier


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
def taps_of(rate_hz: float, carrier_hz: float) -> tuple[NDArray[np.float32], float]:
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


def find_carrier(
    signal: Signal, band_hz: tuple[float, float], most_rows: int | None = None
) -> float:
    """The frequency in Hz of the strongest tone in the band, phases not regarded.

    With `most_rows` only so many milliseconds are looked at, the busiest.
    """
    count = max(16, round(signal.rate_hz * SEEK_S))
    if len(signal.samples) < count:
        return std.CARRIER_HZ
    rows = np.lib.stride_tricks.sliding_window_view(signal.samples, count)[:: count // 2]
    if most_rows is not None and len(rows) > most_rows:
        spread = rows.var(axis=1)
        rows = rows[np.argpartition(spread, -most_rows)[-most_rows:]]
    window = np.hanning(count + 2)[1:-1].astype(np.float32)
    rows = (rows - rows.mean(axis=1, keepdims=True)) * window
    size = 1 << (2 * count - 1).bit_length()
    power = np.square(np.abs(np.fft.rfft(rows, n=size, axis=1))).sum(axis=0)
    hz = np.fft.rfftfreq(size, 1 / signal.rate_hz)
    band = np.flatnonzero((hz >= band_hz[0]) & (hz <= min(band_hz[1], 0.49 * signal.rate_hz)))
    if not len(band) or not power[band].max() > 0:
        return std.CARRIER_HZ
    return float(hz[band[np.argmax(power[band])]])


def turn_down(signal: Signal, carrier_hz: float) -> Baseband:
    """Bring the carrier to zero frequency."""
    rate_hz = signal.rate_hz
    taps, noise = taps_of(rate_hz, round(carrier_hz / 20) * 20.0)
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


def smooth(values: Reals, count: int) -> Reals:
    """Averages of `count` neighbours, or of all where there are fewer."""
    count = max(1, min(count, len(values)))
    total = np.concatenate(([0.0], np.cumsum(values)))
    averages: Reals = (total[count:] - total[:-count]) / count
    return averages
