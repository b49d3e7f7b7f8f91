"""Moves in three arcs against the machine that takes every event."""

from __future__ import annotations

import random

import pytest

from sim.rig.ends import Ends
from sim.rig.load import Weight, Wind, weight_of
from sim.rig.machine import Machine
from sim.rig.motor import fit_motor, plant_of
from sim.rig.move import Mover
from sim.rig.reed import Reed

MOTOR = fit_motor(  # a coast of whole counts would end on an edge, where rounding decides
    speed_counts_s=7.559,
    coast_counts=2.13,
    running_a=1.4,
    supply_v=36.0,
    winding_ohm=3.0,
    supply_ohm=1.0,
    ke=0.105,
    viscous_nms=2e-5,
    static_ratio=1.1,
)
FAR = Ends(-1e6, 1e6, -2e6, 2e6)


class Counter:
    """Cuts the machine's drive at the K-th pulse, as a controller does."""

    def __init__(self, weight: Weight, x: float) -> None:
        self.reed = Reed()
        self.reed.place(x)
        self.left = 0
        self.cut_s = 0.0
        self.machine = Machine(
            plant_of(MOTOR),
            FAR,
            weight=weight,
            wind=Wind(),
            reed=self.reed,
            x=x,
            on_edge=self._on_edge,
        )

    def _on_edge(self, t_s: float, closing: bool, direction: int, truth: int) -> None:
        if truth:
            self.left -= 1
            if self.left == 0:
                self.machine.set_drive(t_s, 0)
                self.cut_s = t_s

    def move(self, side: int, pulses: int) -> tuple[float, int, float, float]:
        machine, self.left = self.machine, pulses
        begin = max(machine.t, self.cut_s)
        machine.set_drive(begin, side)
        while machine.moving:
            machine.step()
        return machine.x, self.reed.truth, self.cut_s - begin, machine.t - begin


def test_level_moves_equal_the_machine() -> None:
    weight = weight_of([], 20.0, 0.0, 1000.0)
    counter = Counter(weight, 500.0)
    mover = Mover(plant_of(MOTOR), weight, half_close=0.20, half_open=0.28, brake=False)
    rng = random.Random(3)
    x, truth = 500.0, 500
    for _ in range(200):
        side, pulses = rng.choice((-1, 1)), rng.randint(1, 60)
        stop = mover.move(x, truth, side, pulses)
        place, count, cut_s, rest_s = counter.move(side, pulses)
        assert (stop.x, stop.truth) == (pytest.approx(place, abs=1e-8), count)
        assert stop.cut_s == pytest.approx(cut_s, abs=1e-9)
        assert stop.rest_s == pytest.approx(rest_s, abs=1e-6)
        x, truth = place, count


def test_loaded_moves_seldom_end_elsewhere() -> None:
    """One load a drive instead of one a cell: about one move in a thousand ends a count beside."""
    weight = weight_of([(0.0, -0.03), (1000.0, 0.05)], 20.0, 0.0, 1000.0)
    mover = Mover(plant_of(MOTOR), weight, half_close=0.20, half_open=0.28, brake=False)
    counter = Counter(weight, 500.0)
    rng = random.Random(4)
    beside = 0
    for _ in range(400):
        x, truth = counter.machine.x, counter.reed.truth
        goal = min(max(truth + rng.randint(-90, 90), 50), 950)
        side, pulses = (1 if goal > truth else -1), max(1, abs(goal - truth))
        stop = mover.move(x, truth, side, pulses)
        beside += stop.truth != counter.move(side, pulses)[1]
        assert abs(stop.truth - counter.reed.truth) <= 1
    assert beside <= 5
