"""Continuous tone near the noise: burst A and tone that stays on."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from bridge.bus.keying.mark import Mark
from bridge.signal.baseband import Signal, quantile
from bridge.signal.weak.estimate import Estimate
from bridge.signal.weak.sequence import Cells, cells_of

WINDOW_S = 1e-3  # s over which continuous tone is looked for: no bit fills a longer one (judgement)
SHARE = 0.72  # of a tone's full level that such a window must hold (judgement)
LONGEST_DIP_S = 0.5e-3  # s, windows below it that a tone may have: a slot (judgement)
LEAST_RUN_S = 5e-3  # s of such windows that are no bits (judgement)


def find_tones(signal: Signal, estimate: Estimate) -> Iterator[Mark]:
    """Tones longer than any bit, as marks."""
    cells = cells_of(signal, estimate.carrier_hz)
    window = max(2, round(WINDOW_S / cells.step_s))
    if len(cells.sums) <= 2 * window:
        return
    size = np.abs(cells.sums[window:] - cells.sums[:-window])
    full = estimate.level * window * cells.count / 2
    ratio = size / full
    dips = round(LONGEST_DIP_S / cells.step_s)
    high = np.flatnonzero(ratio > SHARE)
    if not len(high):
        return
    breaks = np.flatnonzero(np.diff(high) > dips)
    firsts = [int(high[0]), *high[breaks + 1].tolist()]
    lasts = [*high[breaks].tolist(), int(high[-1])]
    for first, last in zip(firsts, lasts, strict=True):
        if (last - first) * cells.step_s < LEAST_RUN_S:
            continue
        quarters = np.abs(np.diff(cells.sums[first : last + window : window // 4]))
        level = 2 * quantile(quarters, 0.5) / (window // 4 * cells.count)
        if level < SHARE * estimate.level:
            continue  # a click, not a tone
        on = _edge(cells, first, level, window, forward=True)
        off = _edge(cells, last + window, level, window, forward=False)
        yield Mark(
            cells.start_s + on * cells.step_s,
            cells.start_s + off * cells.step_s,
            carrier_hz=estimate.carrier_hz,
        )


def _edge(cells: Cells, near: int, level: float, window: int, *, forward: bool) -> int:
    """The cell border at which a tone begins (or ends), in phase with its first (last) part."""
    sums = cells.sums if forward else -cells.sums[::-1]
    last = len(sums) - 1
    at = near if forward else last - near
    inside = min(at + window // 2, last)
    until = min(inside + window, last)
    phase = sums[until] - sums[inside]
    if phase == 0:
        return near
    parts = np.real(np.diff(sums[max(0, at - window) : until + 1]) * np.conj(phase / abs(phase)))
    gain = np.cumsum((parts - level * cells.count / 4)[::-1])[::-1]
    edge = max(0, at - window) + int(gain.argmax())
    return edge if forward else last - edge
