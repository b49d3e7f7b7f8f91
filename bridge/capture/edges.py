"""Logic levels -> the times at which they change."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeBlock, EdgeStep

    TimedLevels = tuple[float, NDArray[np.float64], NDArray[np.uint8]]  # reached s, times s, levels

LEVELS_PER_CHANGE = 200  # levels to one change, from which words are compared (judgement)


def find_edges(
    blocks: Iterable[NDArray[np.uint8]], rate_hz: float, start_s: float
) -> Iterator[EdgeBlock]:
    """Give the first level, then each change, of evenly sampled levels (uint8).

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
        few = at.size * LEVELS_PER_CHANGE < levels.size
        if levels.size and levels[0] != last:
            at = np.append(0, at)
        if at.size:
            times_s = (at + count) / rate_hz
            times_s += start_s
            yield times_s, levels[at]
        if levels.size:
            last = int(levels[-1])
        count += levels.size


def keep_changes(blocks: Iterable[TimedLevels]) -> Iterator[EdgeStep]:
    """Keep the first level and each one that differs from the one before it.

    Each step carries the time in s that the pass has reached; its edges are None where nothing
    changed, so a line at rest can be left before its next edge.

    >>> levels = [(1.0, np.array([0.1, 0.2, 0.3]), np.array([1, 1, 0], np.uint8)),
    ...           (2.0, np.array([1.5]), np.array([0], np.uint8))]
    >>> [(until_s, None if block is None else block[0].tolist())
    ...  for until_s, block in keep_changes(levels)]
    [(1.0, [0.1, 0.3]), (2.0, None)]
    """
    last = -1
    for until_s, times_s, levels in blocks:
        if not levels.size:
            yield until_s, None
            continue
        new = np.empty(levels.size, np.bool_)
        new[0] = levels[0] != last
        np.not_equal(levels[1:], levels[:-1], out=new[1:])
        last = int(levels[-1])
        if new.all():
            yield until_s, (times_s, levels)
        else:
            yield until_s, ((times_s[new], levels[new]) if new.any() else None)


def only_edges(steps: Callable[[], Iterator[EdgeStep]]) -> Iterator[EdgeBlock]:
    """Give the edges of a pass without the steps in which nothing changed."""
    for _, block in steps():
        if block is not None:
            yield block


def _change_by_level(levels: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Indices of the levels that differ from the one before them."""
    return np.flatnonzero(levels[1:] != levels[:-1]) + 1


def _change_by_word(levels: NDArray[np.uint8]) -> NDArray[np.intp]:
    """The same, quicker where they are few: eight levels are compared at once.

    Each word of eight is compared with the word that begins one level later.
    """
    levels = np.ascontiguousarray(levels)
    whole = max(levels.size - 1, 0) // 8 * 8
    before = levels[:whole].view("<u8")
    words = np.flatnonzero(before != levels[1 : whole + 1].view("<u8"))
    word = before[words]
    differ = word ^ (word >> np.uint64(8) | levels[8 * words + 8].astype("<u8") << np.uint64(56))
    if np.any(differ & (differ - np.uint64(1))):  # no power of two: two changes in one word
        return _change_by_level(levels)
    exponents = (differ.astype(np.float64).view(np.int64) >> 52) - 1023
    return np.append(8 * words + (exponents >> 3) + 1, whole + _change_by_level(levels[whole:]))
