"""From logic levels to the times at which they change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeBlock

FEW = 200  # levels to one change, from which changes are few


def find_edges(
    blocks: Iterable[NDArray[np.uint8]], rate_hz: float, start_s: float
) -> Iterator[EdgeBlock]:
    """Give the first level, then each change, of evenly sampled levels.

    >>> import numpy as np
    >>> levels = np.array([0, 0, 1, 1, 0], np.uint8)
    >>> [(t.tolist(), v.tolist()) for t, v in find_edges([levels], 10.0, 0.0)]
    [([0.0, 0.2, 0.4], [0, 1, 0])]
    """
    last = -1
    count = 0
    few = False
    for levels in blocks:
        at = _change_by_word(levels) if few else _change_by_level(levels)
        few = at.size * FEW < levels.size
        if levels.size and levels[0] != last:
            at = np.append(0, at)
        if at.size:
            times_s = (at + count) / rate_hz
            times_s += start_s
            yield times_s, levels[at]
        if levels.size:
            last = int(levels[-1])
        count += levels.size


def _change_by_level(levels: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Places of the levels that differ from the one before them."""
    return np.flatnonzero(levels[1:] != levels[:-1]) + 1


def _change_by_word(levels: NDArray[np.uint8]) -> NDArray[np.intp]:
    """The same, quicker where they are few: eight levels are compared at once.

    A word of eight is held against that which begins a level later.
    """
    levels = np.ascontiguousarray(levels)
    whole = max(levels.size - 1, 0) // 8 * 8
    before = levels[:whole].view("<u8")
    words = np.flatnonzero(before != levels[1 : whole + 1].view("<u8"))
    own = before[words]
    differ = own ^ (own >> np.uint64(8) | levels[8 * words + 8].astype("<u8") << np.uint64(56))
    if np.any(differ & (differ - np.uint64(1))):  # no power of two: two changes in one word
        return _change_by_level(levels)
    exponents = (differ.astype(np.float64).view(np.int64) >> 52) - 1023
    return np.append(8 * words + (exponents >> 3) + 1, whole + _change_by_level(levels[whole:]))
