"""Samples -> complex baseband: the carrier at zero frequency, smoothed over two of its cycles.

The smoothing window is a raised cosine, blind to the supply and its slope.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.bus import standard as std
from bridge.signal.supply import reject_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.signal.activity import Segment

    Floats = NDArray[np.float32]
    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex64]

ENOUGH_HZ = 250e3  # samples a second that are enough; faster ones are averaged (judgement)
STEP_S = 10e-6  # s between points of the baseband (judgement)
ROW_POINTS = 16  # points made at once from a row of samples (judgement)
SPECTRUM_S = 1e-3  # s, length of each spectrum that is averaged to find the carrier (judgement)


@dataclass(frozen=True, slots=True)
class Signal:
    """Samples from `start_s` on; `deviation` is that of the noise of one sample."""

    samples: Floats
    rate_hz: float
    start_s: float
    deviation: float


@dataclass(frozen=True, slots=True)
class Baseband:
    """Tone shifted down by `carrier_hz`: point n lies at `start_s + n * step_s`.

    `envelope` is the amplitude of the tone. `noise` is the deviation of one component.
    """

    points: Complexes
    envelope: Reals
    start_s: float
    step_s: float
    carrier_hz: float
    noise: float


@lru_cache(maxsize=64)
def quadrature_taps(rate_hz: float, carrier_hz: float) -> tuple[NDArray[np.float32], float]:
    """(filter taps as (sample, component), deviation of its output for white noise of 1).

    The taps are a raised cosine over two cycles times the carrier.
    """
    count = max(7, round(2 * rate_hz / carrier_hz) | 1)
    n = np.arange(count) - (count - 1) / 2
    window = 0.5 + 0.5 * np.cos(2 * np.pi * n / (count + 1))
    angle = 2 * np.pi * carrier_hz / rate_hz * n
    taps = []
    for wave in (np.cos(angle), -np.sin(angle)):
        freed = reject_line(wave, window)
        taps.append(freed / (freed @ wave))
    table = np.stack(taps, axis=1)
    noise = float(np.sqrt(np.mean(np.sum(table**2, axis=0))))
    return np.asfortranarray(table, dtype=np.float32), noise


def decimate(segment: Segment, rate_hz: float, start_s: float) -> Signal:
    """The samples of a segment, averaged in groups where the rate is more than enough."""
    samples = segment.samples
    begin_s = start_s + segment.first / rate_hz
    deviation = float(np.sqrt(segment.floor / 2))
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


def estimate_carrier(
    signal: Signal, band_hz: tuple[float, float], most_rows: int | None = None
) -> float:
    """The frequency in Hz of the highest point of the averaged spectrum in a band.

    With `most_rows` only so many spectra are made, of the samples with the most power.
    """
    count = max(16, round(signal.rate_hz * SPECTRUM_S))
    size, window, hz, span = _spectrum_plan(count, signal.rate_hz, band_hz)
    if len(signal.samples) < count or not len(hz):
        return std.CARRIER_HZ
    rows = np.lib.stride_tricks.sliding_window_view(signal.samples, count)[:: count // 2]
    if most_rows is not None and len(rows) > most_rows:
        spread = rows.var(axis=1)
        rows = rows[np.argpartition(spread, -most_rows)[-most_rows:]]
    rows = (rows - rows.mean(axis=1, keepdims=True)) * window
    spectra = np.fft.rfft(rows, n=size, axis=1)[:, span]
    power = np.sum(np.square(spectra.real) + np.square(spectra.imag), axis=0)
    best = int(np.argmax(power))
    return float(hz[best]) if power[best] > 0 else std.CARRIER_HZ


@lru_cache(maxsize=8)
def _spectrum_plan(
    count: int, rate_hz: float, band_hz: tuple[float, float]
) -> tuple[int, Floats, Reals, slice]:
    """(length of spectra of `count` samples, window, the band's frequencies and place)."""
    window = np.hanning(count + 2)[1:-1].astype(np.float32)
    size = 1 << (2 * count - 1).bit_length()
    hz: Reals = np.fft.rfftfreq(size, 1 / rate_hz).astype(np.float64)
    band = np.flatnonzero((hz >= band_hz[0]) & (hz <= min(band_hz[1], 0.49 * rate_hz)))
    span = slice(int(band[0]), int(band[-1]) + 1) if len(band) else slice(0)
    return size, window, hz[span], span


@lru_cache(maxsize=64)
def _filter_matrix(rate_hz: float, carrier_hz: float, hop: int) -> Floats:
    """As (sample, component): the taps of ROW_POINTS points, each `hop` samples on."""
    taps, _ = quadrature_taps(rate_hz, carrier_hz)
    band = np.zeros((len(taps) + hop * (ROW_POINTS - 1), ROW_POINTS, 2), np.float32)
    for n in range(ROW_POINTS):
        band[n * hop : n * hop + len(taps), n] = taps
    return band.reshape(len(band), 2 * ROW_POINTS)


def conjugate_carrier(turns: float, count: int) -> NDArray[np.complex128]:
    """exp(-2 pi j n turns) for samples n: multiplied by it, a carrier lies at zero frequency.

    The whole turns are taken out first, so that long captures keep their phase.
    """
    wave: NDArray[np.complex128] = np.exp(-2j * np.pi * (turns * np.arange(count) % 1.0))
    return wave


def _phases(turns: float, rows: int) -> Complexes:
    """conjugate_carrier at points `turns` apart, as (row, point in it)."""
    inner = conjugate_carrier(turns, ROW_POINTS)
    outer = conjugate_carrier(turns * ROW_POINTS, rows)
    phases: Complexes = np.multiply.outer(outer.astype(np.complex64), inner.astype(np.complex64))
    return phases


def downconvert(signal: Signal, carrier_hz: float) -> Baseband:
    """Bring a carrier to zero frequency."""
    rate_hz, samples = signal.rate_hz, signal.samples
    near_hz = round(carrier_hz / 20) * 20.0
    taps, noise = quadrature_taps(rate_hz, near_hz)
    hop = max(1, round(rate_hz * STEP_S))
    count = max(0, (len(samples) - len(taps)) // hop + 1)
    if count:
        band = _filter_matrix(rate_hz, near_hz, hop)
        rows = -(-count // ROW_POINTS)
        missing = (rows - 1) * ROW_POINTS * hop + len(band) - len(samples)
        if missing > 0:
            samples = np.concatenate((samples, np.zeros(missing, np.float32)))
        views = np.lib.stride_tricks.sliding_window_view(samples, len(band))
        some = np.ascontiguousarray(views[:: ROW_POINTS * hop][:rows])
        points = (some @ band).view(np.complex64)
        points *= _phases(carrier_hz / rate_hz * hop, rows)
        points = points.reshape(-1)[:count]
    else:
        points = np.zeros(0, dtype=np.complex64)
    return Baseband(
        points,
        np.abs(points).astype(np.float64),
        signal.start_s + (len(taps) - 1) / 2 / rate_hz,
        hop / rate_hz,
        carrier_hz,
        noise * signal.deviation,
    )


def moving_average(values: Reals, count: int) -> Reals:
    """Averages of `count` neighbours, or of all where there are fewer: shorter by `count` - 1."""
    count = max(1, min(count, len(values)))
    total = np.concatenate(([0.0], np.cumsum(values)))
    averages: Reals = (total[count:] - total[:-count]) / count
    return averages


def quantile(values: NDArray[Any], share: float) -> float:
    """The value that a share of all stay below: np.quantile with its `linear` method.

    np.quantile takes five times as long for an envelope (0.39 against 0.08 ms), and np.median
    imports 65 ms of modules at its first call.

    >>> [quantile(np.array([4.0, 1.0, 2.0, 8.0]), share) for share in (0.0, 0.5, 1.0)]
    [1.0, 3.0, 8.0]
    """
    place = share * (len(values) - 1)
    low = min(int(place), max(len(values) - 2, 0))
    high = min(low + 1, len(values) - 1)
    ranked = np.partition(values, (low, high))
    return float(ranked[low]) + (place - low) * (float(ranked[high]) - float(ranked[low]))
