"""Samples about tone whose place is known, made ready for a closer look.

Within a stretch the phase of the carrier is fitted, and each sample then says how much rather
there is tone than none, in nats: A x s - A^2 s^2 / 2 over the noise, s being the carrier in that
phase. Where a slow recording shows a carrier only near its zeros, s is small and nothing is said.
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

ROUGHNESS = 0.2  # of the level: deviation of a sample that is no noise but the carrier's shape
SURE_NATS = 28.0  # of tone by which an edge may seem moved in one of ten thousand
ZEROS = 120.0  # Hz, over the square of the distance to half the sample rate: s of the same
ENOUGH = 0.15  # of a window's samples squared, least that a fit of phase and size stands on
LEAST_PURITY = 0.35  # of what is in the marks over the noise, least that is the carrier


@dataclass(frozen=True, slots=True)
class Correlator:
    """Samples freed from the supply, and running sums: of x e^-jwt, of e^-2jwt."""

    turned: Complexes
    images: Complexes
    power: Reals  # of x squared
    rate_hz: float
    start_s: float  # where sample 0 begins
    level: float  # amplitude of the tone
    carrier_hz: float
    noise: float  # deviation of a sample
    deviation: float  # the same, or what the carrier's shape leaves where that is more

    def place(self, time_s: float) -> int:
        at = round((time_s - self.start_s) * self.rate_hz)
        return min(max(at, 0), len(self.turned) - 1)

    @property
    def blur_s(self) -> float:
        """How far noise may move an edge, and how long a slow recording shows but zeros."""
        noise_s = SURE_NATS * 4 * self.noise**2 / (self.level**2 * self.rate_hz)
        return noise_s + ZEROS / max(self.rate_hz / 2 - self.carrier_hz, 500.0) ** 2

    def time(self, place: int) -> float:
        return self.start_s + place / self.rate_hz

    def fit(self, first: Counts, end: Counts) -> Complexes:
        """Amplitudes of the carrier between samples, by least squares; 0 where it is not told."""
        count = (end - first).astype(np.float64)
        z = self.turned[end] - self.turned[first]
        image = self.images[end] - self.images[first]
        room = count**2 - np.abs(image) ** 2
        told = room > ENOUGH * count**2
        found = 2 * (count * z - image * np.conj(z)) / np.where(told, room, 1.0)
        return np.where(told, found, 0.0)

    def explain(self, tones: Complexes, first: Counts, end: Counts) -> Reals:
        """The part of the samples' squares that fitted tones make up."""
        z = self.turned[end] - self.turned[first]
        explained: Reals = np.real(np.conj(tones) * z)
        return explained

    def nats(self, phase: complex, first: int, end: int) -> Reals:
        """Running sum of what samples say for tone in this phase, over the noise."""
        z = self.turned[first : end + 1] - self.turned[first]
        image = self.images[first : end + 1] - self.images[first]
        power = (np.arange(end - first + 1) + np.real(np.conj(phase) ** 2 * image)) / 2
        held = np.real(np.conj(phase) * z)
        told: Reals = (self.level * held - self.level**2 / 2 * power) / self.deviation**2
        return told


def correlate(
    signal: Signal, carrier_hz: float, level: float | None = None, marks: Sequence[Mark] = ()
) -> Correlator:
    """The samples made ready; without a level it is that of the marks."""
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
    first = np.array([correlator.place(mark.on_s) for mark in marks], dtype=np.int64)
    end = np.array([correlator.place(mark.off_s) for mark in marks], dtype=np.int64)
    return first, np.maximum(end, first)


def is_carrier(correlator: Correlator, marks: Sequence[Mark]) -> bool:
    """Whether a carrier makes up most of what is in these marks over the noise.

    A step of the supply or a sound has power at a carrier's frequency too, but more elsewhere; the
    least pure carrier, a saw tooth, has 0.61 of its power there (computed).
    """
    first, end = places(correlator, marks)
    explained = float(np.sum(correlator.explain(correlator.fit(first, end), first, end)))
    count = int(np.sum(end - first))
    whole = float(np.sum(correlator.power[end] - correlator.power[first]))
    swing = 3 * np.sqrt(2 * max(count, 1))  # three deviations of the noise's own power
    return bool(explained > LEAST_PURITY * (whole - correlator.noise**2 * (count + swing)))
