"""What pulls at the motor: the dish's weight along the arc, and the wind.

Loads are torques at the motor in N m, positive westward. Weight is constant within a cell of a few
counts and wind between gusts, so that the motion stays exact from one change to the next.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Weight:
    """Load by cell; beyond the last cells it stays as it is there."""

    cell_counts: float
    first_cell: int
    torque_nm: tuple[float, ...]

    def cell(self, x: float) -> int:
        """Number of the cell that holds a place."""
        return math.floor(x / self.cell_counts)

    def in_cell(self, cell: int) -> float:
        """Torque in N m within a cell."""
        last = len(self.torque_nm) - 1
        return self.torque_nm[min(max(cell - self.first_cell, 0), last)]

    def boundary(self, cell: int, direction: int) -> float:
        """Where the load changes next, moving that way; infinite where it does not any more."""
        last = len(self.torque_nm) - 1
        index = cell - self.first_cell
        if direction > 0:
            return (max(cell, self.first_cell) + 1) * self.cell_counts if index < last else math.inf
        if index <= 0:
            return -math.inf
        return min(cell, self.first_cell + last) * self.cell_counts


def weight_of(
    points: Sequence[tuple[float, float]], cell_counts: float, lowest: float, highest: float
) -> Weight:
    """Cells between two counts from (count, N m) points, straight lines between the points."""
    if not points or all(torque == 0.0 for _, torque in points):
        return Weight(cell_counts, 0, (0.0,))
    counts = [count for count, _ in points]
    first = math.floor(lowest / cell_counts)
    last = max(first, math.ceil(highest / cell_counts) - 1)

    def at(count: float) -> float:
        right = bisect_right(counts, count)
        if right == 0:
            return points[0][1]
        if right == len(points):
            return points[-1][1]
        (c0, t0), (c1, t1) = points[right - 1], points[right]
        return t0 + (t1 - t0) * (count - c0) / (c1 - c0)

    middles = ((cell + 0.5) * cell_counts for cell in range(first, last + 1))
    return Weight(cell_counts, first, tuple(at(middle) for middle in middles))


@dataclass(slots=True)
class Wind:
    """Gusts of random strength and length, one after the other, the same for the same seed."""

    gust_nm: float = 0.0  # the strongest gust either way
    mean_s: float = 8.0
    seed: int = 0
    now_nm: float = 0.0
    until_s: float = math.inf
    _rng: random.Random = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._rng = random.Random(f"wind {self.seed}")
        if self.gust_nm > 0.0:
            self.until_s = 0.0
            self.turn()

    def turn(self) -> None:
        """The next gust begins where this one ends."""
        self.now_nm = self._rng.uniform(-self.gust_nm, self.gust_nm)
        self.until_s += max(0.1, self._rng.expovariate(1.0 / self.mean_s))
