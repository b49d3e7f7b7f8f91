"""From logic levels to the times at which they change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeBlock


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
    for levels in blocks:
        at = np.flatnonzero(levels[1:] != levels[:-1]) + 1
        if levels.size and levels[0] != last:
            at = np.concatenate(([0], at))
        if at.size:
            yield start_s + (at + count) / rate_hz, levels[at]
        if levels.size:
            last = int(levels[-1])
        count += levels.size


def drop_repeats(blocks: Iterable[EdgeBlock]) -> Iterator[EdgeBlock]:
    """Keep the first level and each one that differs from the one before it."""
    last = -1
    for times_s, levels in blocks:
        if not levels.size:
            continue
        new = np.empty(levels.size, np.bool_)
        new[0] = levels[0] != last
        np.not_equal(levels[1:], levels[:-1], out=new[1:])
        last = int(levels[-1])
        if new.all():
            yield times_s, levels
        elif new.any():
            yield times_s[new], levels[new]
