"""A closer look at stretches of tone whose place is known: their edges, holes and stray pulses.

Within a stretch the phase of the carrier is fitted, and each sample then says how much rather
there is tone than none, in nats: A x s - A^2 s^2 / 2 over the noise, s being the carrier in that
phase. Sums of it tell where tone begins and ends, and a hole by the nats that leaving it out
gains. Where a slow recording shows a carrier only near its zeros, s is small and nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.event import Fault
from bridge.bus.slots import Mark, say_ms

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.bus.baseband import Signal

    Reals = NDArray[np.float64]
    Complexes = NDArray[np.complex128]
    Counts = NDArray[np.int64]

BASELINE_S = 1e-3  # s either side over which the supply is averaged out
ROUGHNESS = 0.2  # of the level: deviation of a sample that is no noise but the carrier's shape
HOLE_NATS = 16.5  # gained by leaving a hole out; noise gains n nats once in e**n starts (Ville)
PULSE_NATS = 16.0  # of a pulse over the noise, which passes n nats in one of e**n places
HOLE_S = 50e-6  # s, shortest hole: a cycle and a bit
HOLE_SHARE = 0.4  # of the level, most tone that there may be in a hole
PULSE_SHARE = 0.55  # of the level, least that a pulse has
PULSES_S = (60e-6, 90e-6, 130e-6, 200e-6, 300e-6)  # s, lengths looked for
GUARD_S = 50e-6  # s of quiet beside an edge that are not judged
REACH_S = 0.2e-3  # s beside an edge within which it is looked for anew
LEAST_S = 0.34e-3  # s, shorter tone or quiet is no slot
SURE_NATS = 28.0  # of tone by which an edge may seem moved in one of ten thousand
FINER_S = 0.018e-3  # s by which edges found again are known more finely, noise apart
ZEROS = 120.0  # Hz, over the square of the distance to half the sample rate: s of the same
CHAIN_BLUR_S = 0.05e-3  # s, how far noise moves edges that the rest of the message holds in place
LONGEST_S = 1.5e-3  # s, longer tone is no bit and keeps no phase that could be fitted
COARSE_HZ = 64e3  # samples a second below which the first look leaves edges uncertain
MOST_BLUR_S = 0.1e-3  # s of uncertainty up to which edges are moved one by one
LEAST_PURE = 0.35  # of what is in the marks over the noise, least that is the carrier
ENOUGH = 0.15  # of a window's samples squared, least that a fit of phase and size stands on


@dataclass(frozen=True, slots=True)
class Scene:
    """Samples freed from the supply, and running sums: of x e^-jwt, and of e^-2jwt."""

    turned: Complexes
    images: Complexes
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

    def nats(self, phase: complex, first: int, end: int) -> Reals:
        """Running sum of what samples say for tone in this phase, over the noise."""
        z = self.turned[first : end + 1] - self.turned[first]
        image = self.images[first : end + 1] - self.images[first]
        power = (np.arange(end - first + 1) + np.real(np.conj(phase) ** 2 * image)) / 2
        held = np.real(np.conj(phase) * z)
        told: Reals = (self.level * held - self.level**2 / 2 * power) / self.deviation**2
        return told


def set_scene(
    signal: Signal, carrier_hz: float, level: float | None = None, marks: Sequence[Mark] = ()
) -> Scene:
    """The samples made ready; without a level it is that of the marks."""
    rate_hz = signal.rate_hz
    samples = free_of_supply(signal)
    at = np.arange(len(samples))
    turn = np.exp(-2j * np.pi * ((carrier_hz / rate_hz * at) % 1.0))
    none = np.zeros(1, dtype=np.complex128)
    scene = Scene(
        np.concatenate((none, np.cumsum(samples * turn))),
        np.concatenate((none, np.cumsum(turn * turn))),
        rate_hz,
        signal.start_s - 0.5 / rate_hz,
        1.0,
        carrier_hz,
        signal.deviation,
        1.0,
    )
    if level is None:
        sizes = np.abs(scene.fit(*_places(scene, marks)))
        level = float(np.median(sizes[sizes > 0])) if np.any(sizes > 0) else 0.0
    return replace(scene, level=level, deviation=max(signal.deviation, ROUGHNESS * level))


def _places(scene: Scene, marks: Sequence[Mark]) -> tuple[Counts, Counts]:
    first = np.array([scene.place(mark.on_s) for mark in marks], dtype=np.int64)
    end = np.array([scene.place(mark.off_s) for mark in marks], dtype=np.int64)
    return first, np.maximum(end, first)


def tell_flaws(scene: Scene, marks: Sequence[Mark]) -> list[Mark]:
    """The same marks, with faults where there is a hole in one or a pulse after it."""
    if not marks or scene.level <= 0:
        return list(marks)
    first, end = _places(scene, marks)
    phases = scene.fit(first, end)
    phases = np.where(phases == 0, 0, phases / np.maximum(np.abs(phases), 1e-300))
    origin_s = marks[0].on_s
    fine, blur_s = scene.rate_hz > COARSE_HZ, scene.blur_s
    edges = [(int(a), int(b)) for a, b in zip(first, end, strict=True)]
    told = []
    for n, mark in enumerate(marks):
        low = edges[n - 1][1] if n else 0
        high = edges[n + 1][0] if n + 1 < len(edges) else len(scene.turned) - 1
        hole, edges[n] = _look_at(scene, complex(phases[n]), edges[n], (low, high))
        if fine:
            told.append(replace(mark, blur_s=min(blur_s, CHAIN_BLUR_S)))
        else:
            told.append(_moved(scene, mark, edges[n], blur_s))
        if hole is not None:
            told[n] = replace(told[n], faults=(*mark.faults, _notch(scene, hole, origin_s)))
    for n, ((_, off), (on, _)) in enumerate(pairwise(edges)):
        if (pulse := _pulse(scene, off, on)) is not None:
            at_s, length_s = scene.time(pulse[0]) - origin_s, (pulse[1] - pulse[0]) / scene.rate_hz
            fault = Fault("pulse", f"a pulse of about {say_ms(length_s)} at {say_ms(at_s)}")
            told[n] = replace(told[n], faults=(*told[n].faults, fault))
    return told


def is_carrier(signal: Signal, scene: Scene, marks: Sequence[Mark]) -> bool:
    """Whether a carrier makes up most of what is in these marks over the noise.

    A step of the supply or a sound has power at a carrier's frequency too, but more elsewhere; the
    least pure carrier, a saw tooth, has 0.61 of its power there (computed).
    """
    first, end = _places(scene, marks)
    tones = scene.fit(first, end)
    z = scene.turned[end] - scene.turned[first]
    explained = float(np.sum(np.real(np.conj(tones) * z)))
    power = np.concatenate(([0.0], np.cumsum(np.square(free_of_supply(signal)))))
    count = int(np.sum(end - first))
    whole = float(np.sum(power[end] - power[first]))
    swing = 3 * np.sqrt(2 * max(count, 1))  # three deviations of the noise's own power
    return bool(explained > LEAST_PURE * (whole - signal.deviation**2 * (count + swing)))


def free_of_supply(signal: Signal) -> Reals:
    """The samples without their averages over some slots."""
    samples = signal.samples.astype(np.float64)
    reach = max(1, round(signal.rate_hz * BASELINE_S))
    total = np.concatenate(([0.0], np.cumsum(samples)))
    at = np.arange(len(samples))
    low, high = np.maximum(at - reach, 0), np.minimum(at + reach + 1, len(samples))
    samples -= (total[high] - total[low]) / (high - low)
    return samples


def look_again(
    signal: Signal, marks: Sequence[Mark], carrier_hz: float, grain_s: float
) -> list[Mark]:
    """Marks of a clear tone, looked at anew where holes, pulses or slots off are in doubt.

    Holes that are none are closed and pulses that are none are dropped; edges of what is outside
    its slots by the first look are found again, with the `blur_s` that noise gives them.
    """
    if not marks or not _is_doubtful(marks, grain_s):
        return list(marks)
    scene = set_scene(signal, carrier_hz, None, marks)
    if scene.level <= 0:
        return list(marks)
    kept = _close_holes(scene, marks)
    kept = [m for m in kept if m.length_s >= LEAST_S or _is_tone(scene, m)] or kept
    first, end = _places(scene, kept)
    phases = scene.fit(first, end)
    blur_s = scene.blur_s - FINER_S
    found = []
    for n, mark in enumerate(kept):
        low = int(end[n - 1]) if n else 0
        high = int(first[n + 1]) if n + 1 < len(kept) else len(scene.turned) - 1
        phase = complex(phases[n] / max(abs(phases[n]), 1e-300))
        _, (on, off) = _look_at(scene, phase, (int(first[n]), int(end[n])), (low, high))
        found.append(
            replace(mark, on_s=scene.time(on), off_s=scene.time(off), blur_s=blur_s)
            if phase and LEAST_S <= mark.length_s <= LONGEST_S
            else mark
        )
    return found


def _is_doubtful(marks: Sequence[Mark], grain_s: float) -> bool:
    tones = [mark.length_s for mark in marks]
    quiets = [after.on_s - before.off_s for before, after in pairwise(marks)]
    return any(_is_off(each_s, grain_s) for each_s in (*tones, *quiets) if each_s <= LONGEST_S)


def _is_off(length_s: float, grain_s: float) -> bool:
    """Whether tone or quiet is near the borders of one and of two slots, or beyond."""
    slots = 1 if length_s < 1.4 * std.SLOT_S else 2
    return abs(length_s / slots - std.SLOT_S) > std.SLOT_TOLERANCE_S - grain_s


def _close_holes(scene: Scene, marks: Sequence[Mark]) -> list[Mark]:
    kept = [marks[0]]
    for mark in marks[1:]:
        last = kept[-1]
        if mark.on_s - last.off_s < LEAST_S and not _is_hole(scene, last, mark):
            kept[-1] = replace(last, off_s=mark.off_s)
        else:
            kept.append(mark)
    return kept


def _is_hole(scene: Scene, before: Mark, after: Mark) -> bool:
    """Whether there is no tone between two marks, in the phase of either."""
    hole = (scene.place(before.off_s), scene.place(after.on_s))
    if after.on_s - before.off_s < HOLE_S:
        return False
    for mark in (before, after):
        first, end = _places(scene, (mark,))
        tone = complex(scene.fit(first, end)[0])
        if tone == 0:
            continue
        phase = tone / abs(tone)
        if scene.nats(phase, *hole)[-1] > -HOLE_NATS / 2:
            return False
    return True


def _is_tone(scene: Scene, mark: Mark) -> bool:
    """Whether a short mark is tone, and no ripple of the first look."""
    return _holds_tone(scene, scene.place(mark.on_s), scene.place(mark.off_s))


def _is_other_tone(scene: Scene, first: int, end: int) -> bool:
    """Whether what an edge would leave out is tone all the same, in another phase."""
    return (end - first) / scene.rate_hz > HOLE_S and _holds_tone(scene, first, end)


def _holds_tone(scene: Scene, first: int, end: int) -> bool:
    tone = complex(scene.fit(np.array([first]), np.array([end]))[0])
    z = complex(scene.turned[end] - scene.turned[first])
    nats = (tone.conjugate() * z).real / (2 * scene.deviation**2)
    return bool(nats > PULSE_NATS / 2 and abs(tone) > PULSE_SHARE * scene.level)


def _moved(scene: Scene, mark: Mark, edges: tuple[int, int], blur_s: float) -> Mark:
    """A mark with its edges found anew where noise lets them, and how finely they are known."""
    if blur_s > MOST_BLUR_S:
        return replace(mark, blur_s=blur_s)
    return replace(mark, on_s=scene.time(edges[0]), off_s=scene.time(edges[1]), blur_s=blur_s)


def _notch(scene: Scene, hole: tuple[int, int], origin_s: float) -> Fault:
    at_s, length_s = scene.time(hole[0]) - origin_s, (hole[1] - hole[0]) / scene.rate_hz
    return Fault("notch", f"no tone for about {say_ms(length_s)} at {say_ms(at_s)} inside a tone")


def _look_at(
    scene: Scene, phase: complex, edges: tuple[int, int], room: tuple[int, int]
) -> tuple[tuple[int, int] | None, tuple[int, int]]:
    """(a hole in this stretch or None, its edges found anew); `room` is between its neighbours."""
    if phase == 0:
        return None, edges
    reach = round(REACH_S * scene.rate_hz)
    low = max(edges[0] - reach, (edges[0] + room[0] + 1) // 2, 0)
    high = min(edges[1] + reach, (edges[1] + room[1]) // 2)
    sums = scene.nats(phase, low, high)
    from_start = sums - np.minimum.accumulate(sums)
    off = int(from_start.argmax())
    on = int(sums[: off + 1].argmin())
    if _is_other_tone(scene, edges[0], low + on):
        on = edges[0] - low
    if _is_other_tone(scene, low + off, edges[1]):
        off = edges[1] - low
    shortest = max(2, round(HOLE_S * scene.rate_hz))
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
    if min(hole_start - on, off - hole_end) < shortest or not _is_empty(scene, phase, hole):
        return None, (low + on, low + off)
    return hole, (low + on, low + off)


def _is_empty(scene: Scene, phase: complex, hole: tuple[int, int]) -> bool:
    return _share(scene, phase, hole) < HOLE_SHARE


def _share(scene: Scene, phase: complex, span: tuple[int, int]) -> float:
    """How much tone in this phase there is, of the level."""
    z = scene.turned[span[1]] - scene.turned[span[0]]
    image = scene.images[span[1]] - scene.images[span[0]]
    power = (span[1] - span[0] + np.real(np.conj(phase) ** 2 * image)) / 2
    return float(np.real(np.conj(phase) * z) / max(power * scene.level, 1e-300))


def _pulse(scene: Scene, off: int, on: int) -> tuple[int, int] | None:
    """The strongest pulse between two stretches of tone."""
    guard = round(GUARD_S * scene.rate_hz)
    low, high = off + guard, on - guard
    found: tuple[int, int] | None = None
    most = PULSE_NATS
    for length_s in PULSES_S:
        width = max(3, round(length_s * scene.rate_hz))
        starts = np.arange(low, high - width + 1)
        if not len(starts):
            break
        tone = scene.fit(starts, starts + width)
        z = scene.turned[starts + width] - scene.turned[starts]
        nats = np.real(np.conj(tone) * z) / (2 * scene.deviation**2)
        nats = np.where(np.abs(tone) > PULSE_SHARE * scene.level, nats, 0.0)
        best = int(nats.argmax())
        if nats[best] > most:
            most, found = float(nats[best]), (low + best, low + best + width)
    return found
