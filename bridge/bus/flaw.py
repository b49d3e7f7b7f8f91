"""Notches inside tone and pulses in quiet, looked for where a message is known."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus.keying import Mark

if TYPE_CHECKING:
    from bridge.bus.soft import Cells

WIDTHS = (3, 6, 12)  # cells: 66, 132 and 264 us
GUARD = 3  # cells beside an edge of tone that are not judged
NOTCH_SHARE, NOTCH_DEVIATIONS = 0.45, 4.6  # of the level at most, and how far below it in noise
PULSE_SHARE, PULSE_NATS = 0.55, 13.0  # of the level at least, and how far above the noise


def show_flaws(cells: Cells, marks: list[Mark], level: float, deviation: float) -> Iterator[Mark]:
    """The same marks, parted at notches, with pulses between them as marks of their own."""
    for n, mark in enumerate(marks):
        yield from _part_at_notches(cells, mark, level, deviation)
        if n + 1 < len(marks):
            yield from _pulses(cells, mark.off_s, marks[n + 1].on_s, level, deviation)


def _part_at_notches(cells: Cells, mark: Mark, level: float, deviation: float) -> Iterator[Mark]:
    first, end = _span(cells, mark.on_s, mark.off_s)
    if end - first < 2 * WIDTHS[0]:
        yield mark
        return
    whole = cells.sums[end] - cells.sums[first]
    full = level * cells.count / 2
    parts = np.diff(cells.sums[first : end + 1])
    inside = np.concatenate(([0.0], np.cumsum(np.real(parts * np.conj(whole))) / abs(whole)))
    for width in WIDTHS:
        if len(inside) <= width + GUARD:
            break
        shares = (inside[width:] - inside[:-width]) / (width * full)
        blur = deviation * np.sqrt(2 / (width * cells.count)) / level
        least = int(shares.argmin())
        if shares[least] < min(NOTCH_SHARE, 1 - NOTCH_DEVIATIONS * blur):
            from_s = cells.start_s + (first + least) * cells.step_s
            yield replace(mark, off_s=from_s)
            yield replace(mark, on_s=from_s + width * cells.step_s)
            return
    yield mark


def _pulses(
    cells: Cells, from_s: float, to_s: float, level: float, deviation: float
) -> Iterator[Mark]:
    first, end = _span(cells, from_s, to_s)
    full = level * cells.count / 2
    for width in WIDTHS:
        if end - first < width:
            return
        sums = cells.sums[first : end + 1]
        size = np.abs(sums[width:] - sums[:-width])
        most = int(size.argmax())
        nats = size[most] ** 2 / (width * cells.count * deviation**2)
        if size[most] > PULSE_SHARE * width * full and nats > PULSE_NATS:
            on_s = cells.start_s + (first + most) * cells.step_s
            yield Mark(on_s, on_s + width * cells.step_s)
            return


def _span(cells: Cells, from_s: float, to_s: float) -> tuple[int, int]:
    """Cell borders well inside two times."""
    first = round((from_s - cells.start_s) / cells.step_s) + GUARD
    end = round((to_s - cells.start_s) / cells.step_s) - GUARD
    return max(first, 0), min(end, len(cells.sums) - 1)
