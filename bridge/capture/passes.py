"""Passes over logic lines in steps: how far a pass has come is told also where nothing changes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeBlock, EdgeStep

    Levels = tuple[float, NDArray[np.float64], NDArray[np.uint8]]


def keep_changes(blocks: Iterable[Levels]) -> Iterator[EdgeStep]:
    """Keep the first level and each one that differs from the one before it.

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
    """The same pass without the steps in which nothing changed."""
    for _, block in steps():
        if block is not None:
            yield block
