"""Carriers near half the sample rate (the Nyquist frequency), as in recordings of a sound card.

A carrier at f looks the same as its image at the sample rate less f. A recorder's filter removes
the upper one, except near half its rate, where it removes neither wholly: there the carrier is
not given. Nearer still, samples meet a tone at its zeros for as long as a slot, and no bit can be
read.
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

NEAR_NYQUIST = 0.463  # of the sample rate: above, a carrier's envelope beats too slowly (judgement)
NEAR_NYQUIST_NOISE = 0.14  # of the level: least deviation that is assumed there (judgement)
# Hz from half the rate: nearer, a carrier hides for longer than a slot (judgement)
UNREADABLE_HZ = 700.0
SMOOTH_S = 0.25e-3  # s, half a slot, over which the tone there is averaged (judgement)
LEAST_SHARE = 0.5  # of the power in a segment, that it must make up (judgement)
MARK_S = 0.5e-3  # s, length of the mark that stands for it: a slot (judgement)


def drop_ambiguous_carriers(marks: Iterable[Mark], rate_hz: float) -> list[Mark]:
    """The marks, without carriers that look the same as their images."""
    return [
        replace(mark, carrier_hz=None)
        if (mark.carrier_hz or 0.0) > NEAR_NYQUIST * rate_hz
        else mark
        for mark in marks
    ]


def mark_unreadable(signal: Signal) -> list[Mark]:
    """One mark with the fault `unclear` for a tone at half the sample rate, else none."""
    count = max(2, round(SMOOTH_S * signal.rate_hz))
    if len(signal.samples) < 4 * count:
        return []
    window = np.ones(count) / count
    samples = remove_supply(signal.samples, signal.rate_hz)
    turned = np.where(np.arange(len(samples)) % 2, samples, -samples)
    power = np.square(np.convolve(turned, window, "same"))
    if power.mean() < LEAST_SHARE * (np.square(samples).mean() - signal.deviation**2):
        return []
    if power.mean() < 4 * signal.deviation**2 / count:
        return []
    on_s = signal.start_s + float(np.argmax(power > power.max() / 4)) / signal.rate_hz
    half_khz, near_khz = signal.rate_hz / 2e3, UNREADABLE_HZ / 1e3
    what = (
        f"tone within {near_khz:.1f} kHz of half the sample rate, {half_khz:g} kHz, cannot be "
        "read; record it at 96 kHz or more"
    )
    return [Mark(on_s, on_s + MARK_S, faults=(Fault("unclear", what),))]
