"""Carriers near half the sample rate: what a sound card's recording can still tell of them.

A carrier at f looks the same as one at the sample rate less f. A recorder keeps the upper one out
but for those near half its rate, where neither is kept out wholly: there the carrier is not told.
Nearer still, samples meet a tone at its zeros for as long as a slot, and no bit can be read.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus.event import Fault
from bridge.bus.keying.mark import Mark
from bridge.signal.supply import remove_supply

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bridge.signal.baseband import Signal

NEAR_NYQUIST = 0.463  # of the sample rate: a carrier above shows in too few phases to go by size
NEAR_NYQUIST_NOISE = 0.14  # of the level: noise that is reckoned with there at least
UNREADABLE_HZ = 700.0  # Hz from half the rate: nearer, a carrier hides for longer than a slot
SMOOTH_S = 0.25e-3  # s over which what lies there is averaged, its turns taken out
MOST_SHARE = 0.5  # of the power in a stretch, that it must make up to be told
TOLD_S = 0.5e-3  # s of it that are told


def drop_ambiguous_carriers(marks: Iterable[Mark], rate_hz: float) -> list[Mark]:
    """Marks without a carrier that cannot be told from its image."""
    return [
        replace(mark, carrier_hz=None)
        if (mark.carrier_hz or 0.0) > NEAR_NYQUIST * rate_hz
        else mark
        for mark in marks
    ]


def mark_unreadable(signal: Signal) -> list[Mark]:
    """A mark without bits, and why, for a tone at half the sample rate; none for anything else."""
    count = max(2, round(SMOOTH_S * signal.rate_hz))
    if len(signal.samples) < 4 * count:
        return []
    window = np.ones(count) / count
    samples = remove_supply(signal.samples, signal.rate_hz)
    turned = np.where(np.arange(len(samples)) % 2, samples, -samples)
    power = np.square(np.convolve(turned, window, "same"))
    if power.mean() < MOST_SHARE * (np.square(samples).mean() - signal.deviation**2):
        return []
    if power.mean() < 4 * signal.deviation**2 / count:
        return []
    on_s = signal.start_s + float(np.argmax(power > power.max() / 4)) / signal.rate_hz
    half_khz, near_khz = signal.rate_hz / 2e3, UNREADABLE_HZ / 1e3
    what = (
        f"tone within {near_khz:.1f} kHz of half the sample rate, {half_khz:g} kHz, cannot be "
        "read; record it at 96 kHz or more"
    )
    return [Mark(on_s, on_s + TOLD_S, faults=(Fault("unclear", what),))]
