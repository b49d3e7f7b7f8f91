"""A whole move in three arcs: from rest to the K-th pulse, and the coast after it.

For many moves at once, where nothing but pulses and places matters: no end is met, the current
trip stays shut, and the dish is at rest before each move. The load is that at the cut, for the
speed there, for the time of the drive and for the coast; under a load that changes along the arc,
about one move in a thousand ends one count beside where `Machine` ends; the counting is the same.
`tests/sim/rig/test_move.py` holds the two against each other.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.rig.arc import coast_shape
from sim.rig.load import Weight
from sim.rig.motor import Plant


class MoveEnd(NamedTuple):
    """How a move ended: place and true count at rest, true count and speed at the cut, times."""

    x: float
    truth: int
    cut_truth: int
    cut_speed: float
    cut_s: float
    rest_s: float


def speed_up(reach: float) -> float:
    """u with u - 1 + e^-u = reach: how many time constants it takes from rest.

    >>> u = speed_up(2.0); abs(u - 1 + math.exp(-u) - 2.0) < 1e-15
    True
    """
    if reach > 36.0:
        return 1.0 + reach
    if reach < 0.5:
        root = math.sqrt(2.0 * reach)
        u = root * (1.0 + root / 6.0 * (1.0 + root / 12.0))
    else:
        u = 1.0 + reach - math.exp(-1.0 - reach)
    for _ in range(8):
        lag = math.expm1(-u)
        step = (u + lag - reach) / -lag
        u -= step
        if abs(step) < 1e-9 * u:
            break
    return u


class Mover:
    """A plant under its load, ready for moves: all constants worked out once."""

    def __init__(
        self, plant: Plant, weight: Weight, *, half_close: float, half_open: float, brake: bool
    ) -> None:
        self._k = plant.k_drive
        self._kc = plant.k_brake if brake else plant.k_coast
        self._drive, self._friction = plant.drive, plant.friction
        self._pull = [plant.per_nm * torque for torque in weight.torque_nm]
        self._cell, self._first = weight.cell_counts, weight.first_cell
        self._last = len(self._pull) - 1
        self.half_hysteresis = 0.5 * (half_open - half_close)

    def move(self, x: float, truth: int, side: int, pulses: int) -> MoveEnd:
        """From rest at `x` drive to the `pulses`-th pulse that way, cut, and come to rest."""
        lead = 0.5 - self.half_hysteresis
        cut_truth = truth + side * pulses
        edge = cut_truth - side * lead
        cell = math.floor(edge / self._cell) - self._first
        pull = side * self._pull[0 if cell < 0 else min(cell, self._last)]
        k = self._k
        steady = (self._drive + pull - self._friction) / k
        u = speed_up((edge - x) * side * k / steady)
        w = steady * (1.0 - math.exp(-u))
        slow = self._friction - pull
        ratio = self._kc * w / slow
        rest = edge + side * w * w / slow * coast_shape(ratio)
        at_rest = math.floor(rest * side + lead) * side
        return MoveEnd(rest, at_rest, cut_truth, w, u / k, u / k + math.log1p(ratio) / self._kc)
