"""Notches inside tone and pulses in quiet, looked for where a message is known among noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus.event import Fault
from bridge.bus.slots import Mark

if TYPE_CHECKING:
    from bridge.bus.soft import Cells

WIDTHS = (3, 6, 12)  # cells: 66, 132 and 264 us
GUARD = 3  # cells beside an edge of tone that are not judged
NOTCH_SHARE, NOTCH_DEVIATIONS = 0.45, 4.6  # of the level at most, and how far below it in noise
PULSE_SHARE, PULSE_NATS = 0.55, 13.0  # of the level at least, and how far above the noise
SLOW_CELL = 2  # samples in a cell below which its noise leans to one phase, and is twice as wild


def tell_flaws(cells: Cells, marks: Sequence[Mark], level: float, deviation: float) -> list[Mark]:
    """The same marks, with faults where there is a hole in one or a pulse after it."""
    told = []
    for n, mark in enumerate(marks):
        faults = _notch(cells, marks[0].on_s, mark, level, deviation)
        if n + 1 < len(marks):
            span = (mark.off_s, marks[n + 1].on_s)
            faults += _pulse(cells, marks[0].on_s, span, level, deviation)
        told.append(replace(mark, faults=(*mark.faults, *faults)) if faults else mark)
    return told


def _notch(
    cells: Cells, origin_s: float, mark: Mark, level: float, deviation: float
) -> list[Fault]:
    first, end = _inside(cells, mark.on_s, mark.off_s)
    if end - first < 2 * WIDTHS[0]:
        return []
    whole = cells.sums[end] - cells.sums[first]
    parts = np.diff(cells.sums[first : end + 1])
    inside = np.cumsum(np.real(parts * np.conj(whole))) / max(abs(whole), 1e-300)
    inside = np.concatenate(([0.0], inside))
    for width in WIDTHS:
        if len(inside) <= width + GUARD:
            break
        shares = (inside[width:] - inside[:-width]) / (width * level * cells.count / 2)
        blur = deviation * np.sqrt(2 / (width * cells.count)) / level
        least = int(shares.argmin())
        if shares[least] < min(NOTCH_SHARE, 1 - NOTCH_DEVIATIONS * blur):
            at_s = cells.start_s + (first + least) * cells.step_s - origin_s
            length_s = width * cells.step_s
            what = f"no tone for about {length_s * 1e3:.2f} ms at {at_s * 1e3:.2f} ms inside a tone"
            return [Fault("notch", what)]
    return []


def _pulse(
    cells: Cells, origin_s: float, span: tuple[float, float], level: float, deviation: float
) -> list[Fault]:
    first, end = _inside(cells, *span)
    sums = cells.sums[first : max(end, first) + 1]
    least = PULSE_NATS if cells.count >= SLOW_CELL else 2 * PULSE_NATS
    for width in WIDTHS:
        if len(sums) <= width:
            break
        size = np.abs(sums[width:] - sums[:-width])
        most = int(size.argmax())
        nats = size[most] ** 2 / (width * cells.count * deviation**2)
        if size[most] > PULSE_SHARE * width * level * cells.count / 2 and nats > least:
            at_s = cells.start_s + (first + most) * cells.step_s - origin_s
            length_s = width * cells.step_s
            what = f"a pulse of about {length_s * 1e3:.2f} ms at {at_s * 1e3:.2f} ms"
            return [Fault("pulse", what)]
    return []


def _inside(cells: Cells, from_s: float, to_s: float) -> tuple[int, int]:
    """Cell borders well inside two times."""
    first = round((from_s - cells.start_s) / cells.step_s) + GUARD
    end = round((to_s - cells.start_s) / cells.step_s) - GUARD
    return max(first, 0), min(end, len(cells.sums) - 1)
