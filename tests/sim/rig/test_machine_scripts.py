"""Whole evenings of a machine: against a general solver, and under anything at all."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from sim.rig.ends import Ends
from sim.rig.load import Wind, weight_of
from sim.rig.machine import Handicap, Machine
from sim.rig.motor import fit_motor, plant_of
from sim.rig.reed import Reed

MOTOR = fit_motor(
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
POINTS = [(0.0, -0.04), (600.0, 0.0), (1000.0, 0.06)]
CELL = 12.5
FAR = Ends(-1e5, 1e5, -2e5, 2e5)
RADS = MOTOR.counts_per_rad


class Solver:
    """The same machine, stepped by a general solver; all physics written anew, in SI units."""

    def __init__(self, x: float, brake: bool) -> None:
        self.t, self.x, self.w, self.volts, self.brake = 0.0, x, 0.0, 0.0, brake
        self.edges: list[tuple[float, bool]] = []
        self.closed = False

    def pull(self, x: float) -> float:
        middle = (math.floor(x / CELL) + 0.5) * CELL
        return float(np.interp(middle, *zip(*POINTS, strict=True)))

    def torque(self, w: float, way: int, load: float) -> float:
        if self.volts:
            amps = (self.volts - MOTOR.ke * w) / 4.0
        else:
            amps = -MOTOR.ke * w / 3.0 if self.brake else 0.0
        return MOTOR.ke * amps - MOTOR.viscous_nms * w + load - way * MOTOR.coulomb_nm

    def until(self, end_s: float) -> None:
        while self.t < end_s:
            way = int(np.sign(self.w))
            if way == 0:
                stuck = MOTOR.ke * self.volts / 4.0 + self.pull(self.x)
                if abs(stuck) <= MOTOR.static_nm:
                    self.t = end_s
                    return
                way = int(np.sign(stuck))
            self._arc(end_s, way)

    def _arc(self, end_s: float, way: int) -> None:
        ahead = self.x + way * 1e-9
        cell = math.floor(ahead / CELL)
        load, goal = self.pull(ahead), (cell + (way > 0)) * CELL

        def slope(_: float, y: np.ndarray) -> list[float]:
            return [y[1], self.torque(y[1], way, load) / MOTOR.inertia_kgm2]

        def bound(_: float, y: np.ndarray) -> float:
            return float(y[0] * RADS - goal) * way

        def rest(_: float, y: np.ndarray) -> float:
            return float(y[1]) * way

        def closing(_: float, y: np.ndarray) -> float:
            return math.sin(math.pi * (y[0] * RADS - 0.74 + way * 0.20))

        def opening(_: float, y: np.ndarray) -> float:
            return math.sin(math.pi * (y[0] * RADS - 0.74 - way * 0.28))

        for event, direction in ((bound, 1), (rest, -1)):
            event.terminal, event.direction = True, direction  # type: ignore[attr-defined]
        found = solve_ivp(
            slope,
            (self.t, end_s),
            [self.x / RADS, self.w],
            method="DOP853",
            rtol=1e-12,
            atol=1e-13,
            max_step=0.06,
            events=[bound, rest, closing, opening],
        )
        met = [(float(t), True) for t in found.t_events[2]]
        met += [(float(t), False) for t in found.t_events[3]]
        for t, closes in sorted(met):
            if closes != self.closed:
                self.edges.append((t, closes))
                self.closed = closes
        self.t = float(found.t[-1])
        self.x, self.w = float(found.y[0, -1]) * RADS, float(found.y[1, -1])
        if len(found.t_events[0]):
            self.x = goal
        elif len(found.t_events[1]):
            self.w = 0.0


def evening(seed: int) -> list[tuple[float, int]]:
    """Waits and drives: reversals at full speed, in the coast, and from rest."""
    rng = random.Random(seed)
    return [
        (rng.choice([0.05, 0.2, 0.4, 1.5, 3.0]) * rng.uniform(0.8, 1.2), drive)
        for drive in rng.choices([-1, 0, 1], k=14)
    ]


@pytest.mark.parametrize("brake", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_evenings_equal_a_general_solver(seed: int, brake: bool) -> None:
    """Twelve evenings: the same edges in the same order, each within 1e-8 s where it moves."""
    reed = Reed()
    reed.place(500.0)
    mine: list[tuple[float, bool]] = []
    made = Machine(
        plant_of(MOTOR),
        FAR,
        weight=weight_of(POINTS, CELL, -100.0, 1100.0),
        wind=Wind(),
        reed=reed,
        x=500.0,
        brake=brake,
        on_edge=lambda t_s, closing, _way, _truth: mine.append((t_s, closing)),
    )
    solver = Solver(500.0, brake)
    solver.closed = reed.closed
    now = 0.0
    for wait_s, drive in evening(seed):
        made.set_drive(now, drive)
        solver.volts = 36.0 * drive
        now += wait_s
        while made.next_s <= now:
            made.step()
        solver.until(now)
        assert made.x_at(now) == pytest.approx(solver.x, abs=1e-8)
        assert made.w_at(now) == pytest.approx(solver.w * RADS, abs=1e-7)
    assert [closing for _, closing in mine] == [closing for _, closing in solver.edges]
    assert len(mine) > 20
    off = max(abs(a[0] - b[0]) for a, b in zip(mine, solver.edges, strict=True))
    assert off < 1e-8


@given(
    seed=st.integers(0, 999),
    gust=st.floats(0.0, 0.05),
    weight=st.floats(-0.08, 0.08),
    x=st.floats(5.0, 195.0),
    slip=st.floats(-20.0, 20.0),
    faults=st.sampled_from(
        [Handicap(), Handicap(reversed_pair=True), Handicap(jammed=True), Handicap(sheared=True)]
    ),
    drives=st.lists(st.tuples(st.floats(0.0, 20.0), st.sampled_from([-1, 0, 1])), max_size=12),
)
def test_anything_at_all(
    *,
    seed: int,
    gust: float,
    weight: float,
    x: float,
    slip: float,
    faults: Handicap,
    drives: list[tuple[float, int]],
) -> None:
    """Time never runs back, events do not pile up, and nothing passes a stop."""
    reed = Reed()
    reed.place(x)
    ends = Ends(5.0, 195.0, 0.0, 210.0, 205.0)
    made = Machine(
        plant_of(MOTOR),
        ends,
        weight=weight_of([(0.0, -weight), (200.0, weight)], 10.0, 0.0, 210.0),
        wind=Wind(gust, 2.0, seed),
        reed=reed,
        x=x,
        slip=slip,
        backlash=3.0,
        trip_a=5.0,
        handicap=faults,
    )
    now, events = 0.0, 0
    furthest = max(x, min(210.0, 205.0 - slip))
    for wait_s, drive in drives:
        made.set_drive(now, drive)
        now += wait_s
        while made.next_s <= now:
            before = made.next_s
            made.step()
            assert made.next_s >= before
            assert made.t <= now
            events += 1
        place = made.x_at(now)
        assert 0.0 <= place <= furthest + 1e-9
        assert abs(reed.truth - place) <= 0.55
        assert made.dish_at(now) - slip - 3.0 - 1e-9 <= place <= made.dish_at(now) - slip + 1e-9
    assert events <= 100 + 40 * now
