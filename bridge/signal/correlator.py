"""Running correlations of samples with a carrier: the tone between any two samples at once.

Between two places the amplitude and phase of the carrier are fitted by least squares. With a
phase s known, a sample x adds (A x s - A^2 s^2 / 2) / deviation^2 nats to the log likelihood
ratio of tone of level A against none. Where a slow recording meets a carrier only near its zeros,
s is small and the ratio stays near 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.signal.baseband import conjugate_carrier, quantile
from bridge.signal.supply import remove_supply

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.keying.mark import Mark
    from bridge.signal.baseband import Signal

    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex128]
    Counts = NDArray[np.int64]

ROUGHNESS = 0.2  # of the level, deviation of a sample that the carrier's shape may make (judgement)
SURE_NATS = 28.0  # nats of tone by which noise moves an edge once in ten thousand (judgement)
ZEROS = 120.0  # Hz: over the square of a carrier's distance to half the sample rate, s of an
# edge's error, for so long samples may meet zeros of the carrier (judgement)
ENOUGH = 0.15  # least determinant of a fit of amplitude and phase, over samples squared (judgement)
LEAST_PURITY = 0.35  # of the power over the noise, least that is the carrier: a saw tooth has
# 0.61 (computed), clicks and steps of the supply less (judgement)


@dataclass(frozen=True, slots=True)
class Correlator:
    """Running sums up to each sample, the supply taken out; one longer than the samples.

    `turned` sums x e^-jwt, `images` e^-2jwt and `power` x squared.
    """

    turned: Complexes
    images: Complexes
    power: Reals
    rate_hz: float
    start_s: float  # where sample 0 begins
    level: float  # amplitude of the tone
    carrier_hz: float
    noise: float  # deviation of a sample
    deviation: float  # the same, or what the carrier's shape leaves where that is more

    def place(self, time_s: float) -> int:
        """The sample border nearest to a time, within the samples."""
        at = round((time_s - self.start_s) * self.rate_hz)
        return min(max(at, 0), len(self.turned) - 1)

    @property
    def blur_s(self) -> float:
        """How far noise, and samples that meet only zeros of the carrier, may move an edge."""
        noise_s = SURE_NATS * 4 * self.noise**2 / (self.level**2 * self.rate_hz)
        return noise_s + ZEROS / max(self.rate_hz / 2 - self.carrier_hz, 500.0) ** 2

    def time(self, place: int) -> float:
        """The time of a sample border."""
        return self.start_s + place / self.rate_hz

    def fit(self, first: Counts, end: Counts) -> Complexes:
        """Complex amplitudes of the carrier between sample borders, by least squares.

        An amplitude is 0 where too few phases of the carrier were sampled to fit it.
        """
        count = (end - first).astype(np.float64)
        z = self.turned[end] - self.turned[first]
        image = self.images[end] - self.images[first]
        room = count**2 - np.abs(image) ** 2
        is_known = room > ENOUGH * count**2
        found = 2 * (count * z - image * np.conj(z)) / np.where(is_known, room, 1.0)
        return np.where(is_known, found, 0.0)

    def explain(self, tones: Complexes, first: Counts, end: Counts) -> Reals:
        """The energy, as a sum of squares, that fitted tones explain."""
        z = self.turned[end] - self.turned[first]
        explained: Reals = np.real(np.conj(tones) * z)
        return explained

    def nats(self, phase: complex, first: int, end: int) -> Reals:
        """Log likelihood ratio of tone in this phase against none, summed up to each sample."""
        z = self.turned[first : end + 1] - self.turned[first]
        image = self.images[first : end + 1] - self.images[first]
        power = (np.arange(end - first + 1) + np.real(np.conj(phase) ** 2 * image)) / 2
        held = np.real(np.conj(phase) * z)
        ratios: Reals = (self.level * held - self.level**2 / 2 * power) / self.deviation**2
        return ratios


def correlate(
    signal: Signal, carrier_hz: float, level: float | None = None, marks: Sequence[Mark] = ()
) -> Correlator:
    """Correlate with a carrier; without a level, that of the marks is measured."""
    rate_hz = signal.rate_hz
    samples = remove_supply(signal.samples, rate_hz)
    turn = conjugate_carrier(carrier_hz / rate_hz, len(samples))
    none = np.zeros(1, dtype=np.complex128)
    correlator = Correlator(
        np.concatenate((none, np.cumsum(samples * turn))),
        np.concatenate((none, np.cumsum(turn * turn))),
        np.concatenate((none.real, np.cumsum(np.square(samples)))),
        rate_hz,
        signal.start_s - 0.5 / rate_hz,
        1.0,
        carrier_hz,
        signal.deviation,
        1.0,
    )
    if level is None:
        sizes = np.abs(correlator.fit(*places(correlator, marks)))
        level = quantile(sizes[sizes > 0], 0.5) if np.any(sizes > 0) else 0.0
    return replace(correlator, level=level, deviation=max(signal.deviation, ROUGHNESS * level))


def places(correlator: Correlator, marks: Sequence[Mark]) -> tuple[Counts, Counts]:
    """Sample borders at which the marks begin, and at which they end."""
    first = np.array([correlator.place(mark.on_s) for mark in marks], dtype=np.int64)
    end = np.array([correlator.place(mark.off_s) for mark in marks], dtype=np.int64)
    return first, np.maximum(end, first)


def is_carrier(correlator: Correlator, marks: Sequence[Mark]) -> bool:
    """Whether a carrier makes up enough of the power in these marks over the noise.

    A step of the supply or a sound has power at a carrier's frequency too, but more elsewhere.
    """
    first, end = places(correlator, marks)
    explained = float(np.sum(correlator.explain(correlator.fit(first, end), first, end)))
    count = int(np.sum(end - first))
    whole = float(np.sum(correlator.power[end] - correlator.power[first]))
    swing = 3 * np.sqrt(2 * max(count, 1))  # three deviations of the noise's own power
    return bool(explained > LEAST_PURITY * (whole - correlator.noise**2 * (count + swing)))
