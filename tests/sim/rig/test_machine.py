"""The machine against a general ODE solver, with the events looked for independently here."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim.rig.ends import Ends
from sim.rig.load import Wind, weight_of
from sim.rig.machine import Handicap, Machine
from sim.rig.motor import Motor, fit_motor, plant_of
from sim.rig.reed import Reed

MOTOR: Motor = fit_motor(
    speed_counts_s=7.559,
    coast_counts=2.0,
    running_a=1.4,
    supply_v=36.0,
    winding_ohm=3.0,
    supply_ohm=1.0,
    ke=0.105,
    viscous_nms=2e-5,
    static_ratio=1.1,
)
POINTS = [(0.0, -0.03), (150.0, 0.0), (1000.0, 0.05)]
ENDS = Ends(0.0, 1000.0, -5.0, 1058.0, 1010.0)
CELL = 25.0


def machine(x: float, *, loaded: bool = True, **extra: object) -> tuple[Machine, list[float]]:
    closings: list[float] = []

    def on_edge(t_s: float, closing: bool, direction: int, truth: int) -> None:
        if closing:
            closings.append(t_s)

    reed = Reed()
    reed.place(x)
    made = Machine(
        plant_of(MOTOR),
        ENDS,
        weight=weight_of(POINTS if loaded else [], CELL, -5.0, 1058.0),
        wind=Wind(),
        reed=reed,
        x=x,
        trip_a=5.0,
        on_edge=on_edge,
        **extra,  # type: ignore[arg-type]
    )
    return made, closings


def run(made: Machine, until_s: float) -> list[str]:
    seen = []
    while made.next_s <= until_s:
        seen.append(made.step())
    return seen


def load_nm(x: float) -> float:
    """The weight in the cell of x, by numpy's own straight lines."""
    middle = (math.floor(x / CELL) + 0.5) * CELL
    return float(np.interp(middle, *zip(*POINTS, strict=True)))


def by_solver(x0: float, way: int) -> tuple[list[float], float, float]:
    """Closings, final time and place of a travel in SI units, cell by cell, until at rest."""
    rads = MOTOR.counts_per_rad
    t, x, w = 0.0, x0, 0.0
    closings: list[float] = []
    powered = True
    for _ in range(200):
        ahead = x + way * 1e-7
        low = math.floor(ahead / CELL) * CELL
        edges = [low + CELL if way > 0 else low]
        if powered:
            edges.append(1000.0 if way > 0 else 0.0)
        goal = min(edges, key=lambda edge: (edge - x) * way)
        push = load_nm(ahead)

        def slope(_: float, y: np.ndarray, push: float = push, on: bool = powered) -> list[float]:
            amps = (36.0 * way - 0.105 * y[1]) / 4.0 if on else 0.0
            torque = 0.105 * amps - MOTOR.viscous_nms * y[1] + push - MOTOR.coulomb_nm * way
            return [y[1], torque / MOTOR.inertia_kgm2]

        def there(_: float, y: np.ndarray, goal: float = goal) -> float:
            return float(y[0] * rads - goal)

        def rest(_: float, y: np.ndarray) -> float:
            return float(y[1] * way)

        def closes(_: float, y: np.ndarray) -> float:
            # a magnet's centre is 0.74 past each whole count; it closes 0.20 before, as it comes
            return math.sin(math.pi * (y[0] * rads - 0.74 + way * 0.20))

        there.terminal = True  # type: ignore[attr-defined]
        rest.terminal = True  # type: ignore[attr-defined]
        rest.direction = -1  # type: ignore[attr-defined]
        events = [there, closes] if powered else [there, closes, rest]
        found = solve_ivp(
            slope,
            (t, t + 60.0),
            [x / rads, w],
            method="DOP853",
            rtol=1e-12,
            atol=1e-13,
            max_step=0.06,
            events=events,
        )
        closings.extend(found.t_events[1])
        t, w = float(found.t[-1]), float(found.y[1, -1])
        if not powered and len(found.t_events[2]):
            return closings, t, float(found.y[0, -1]) * rads
        x = goal
        powered = powered and goal not in (0.0, 1000.0)
    raise AssertionError("never came to rest")


@pytest.mark.parametrize(("x0", "way"), [(753.3, 1), (247.1, -1)])
def test_travel_into_an_end_equals_a_general_solver(x0: float, way: int) -> None:
    """Every pulse within 1e-9 s, through weight, the end switch and the coast after it."""
    closings, rest_s, rest_x = by_solver(x0, way)
    made, mine = machine(x0)
    made.set_drive(0.0, way)
    run(made, rest_s + 1.0)
    assert len(mine) == len(closings) > 240
    assert max(abs(a - b) for a, b in zip(mine, closings, strict=True)) < 1e-9
    assert made.x == pytest.approx(rest_x, abs=1e-8)
    assert made.t == pytest.approx(rest_s, abs=1e-6)  # the speed is near zero for a while


def test_readings_of_a_technician() -> None:
    """Speed, current, coast and stall as asked for (common practice figures of such a rig)."""
    made, _ = machine(500.0, loaded=False)
    made.set_drive(0.0, 1)
    assert made.amps_at(0.0) == pytest.approx(9.0)
    assert made.volts_at(0.0) == pytest.approx(36.0 - 9.0 * 1.0)  # the supply's 1 ohm
    run(made, 5.0)
    assert made.volts_at(5.0) == pytest.approx(36.0 - 1.4 * 1.0)
    assert made.w_at(5.0) == pytest.approx(7.559, rel=1e-9)
    assert made.amps_at(5.0) == pytest.approx(1.4, rel=1e-9)
    before = made.x_at(5.0)
    made.set_drive(5.0, 0)
    run(made, 9.0)
    assert made.x - before == pytest.approx(2.0, rel=1e-9)
    assert not made.moving


@pytest.mark.parametrize("seconds", [0.05, 0.3, 1.1, 2.7, 5.0])
@pytest.mark.parametrize("way", [-1, 1])
def test_a_coast_ends_once_and_stands(seconds: float, way: int) -> None:
    made, _ = machine(500.0)
    made.set_drive(0.0, way)
    run(made, seconds)
    made.set_drive(seconds, 0)
    seen = run(made, 30.0)
    assert seen.count("rest") == 1
    assert seen[-1] == "rest"
    assert (made.w, made.next_s, made.moving) == (0.0, math.inf, False)


def test_technicians_rule_of_coast() -> None:
    """coast = 1/2 (stall current / running current - 1) w tau within a few percent (computed)."""
    w, tau = 7.559, MOTOR.tau_s
    assert 0.5 * (9.0 / 1.4 - 1.0) * w * tau == pytest.approx(2.0, rel=0.05)
    assert MOTOR.inductance_h == 0.0  # nobody measured it, so the current follows at once
    assert MOTOR.electrical_ratio == math.inf


def test_brake_shortens_the_coast() -> None:
    made, _ = machine(500.0, loaded=False, brake=True)
    made.set_drive(0.0, 1)
    run(made, 5.0)
    before = made.x_at(5.0)
    made.set_drive(5.0, 0)
    run(made, 9.0)
    assert 0.2 < made.x - before < 0.6


def test_end_switch_cuts_one_way_and_lets_it_drive_back() -> None:
    made, _ = machine(990.0)
    made.set_drive(0.0, 1)
    assert "switch" in run(made, 20.0)
    assert 1000.0 < made.x < 1005.0
    assert made.drive == 1
    assert made.amps_at(20.0) == 0.0
    made.set_drive(20.0, -1)
    assert made.amps_at(20.0) > 5.0
    run(made, 24.0)
    assert made.x_at(24.0) < 985.0
    assert not made.ends.west_open


def test_fence_stops_the_dish_where_a_slipped_clamp_brings_it() -> None:
    made, _ = machine(990.0, slip=14.0)
    made.set_drive(0.0, 1)
    seen = run(made, 20.0)
    assert "stop" in seen
    assert "trip" in seen
    assert made.x == 996.0
    assert made.dish_at(20.0) == 1010.0
    assert made.amps_at(20.0) == pytest.approx(9.0)


def test_trip_waits_out_the_inrush_and_takes_a_stall() -> None:
    made, _ = machine(500.0)
    made.set_drive(0.0, 1)
    assert "trip" not in run(made, 10.0)
    stuck, _ = machine(500.0, handicap=Handicap(jammed=True))
    stuck.set_drive(0.0, 1)
    seen = []
    while stuck.next_s < 10.0:
        at_s = stuck.next_s
        seen.append((stuck.step(), at_s))
    assert ("trip", 0.6) in seen
    assert stuck.x == 500.0


def test_jam_is_friction_and_never_drives_backwards() -> None:
    made, _ = machine(500.0)
    made.set_drive(0.0, 1)
    run(made, 3.0)
    at = made.x_at(3.0)
    made.handicap.jammed = True
    made.set_drive(3.0, -1)
    run(made, 10.0)
    assert made.x >= at


def test_clamp_play_follows_the_actuator() -> None:
    made, _ = machine(500.0, backlash=3.0)
    made.set_drive(0.0, 1)
    run(made, 3.0)
    made.set_drive(3.0, 0)
    run(made, 5.0)
    assert made.dish_at(5.0) == made.x  # arrived westward: where the actuator says
    stood = made.x
    made.set_drive(5.0, -1)
    run(made, 5.2)
    assert 0.0 < stood - made.x_at(5.2) < 3.0
    assert made.dish_at(5.2) == stood  # not yet taken along
    run(made, 9.0)
    assert made.dish_at(9.0) == pytest.approx(made.x_at(9.0) + 3.0)


def test_trace_holds_every_arc() -> None:
    made, _ = machine(500.0, keep_trace=True)
    made.set_drive(0.0, 1)
    run(made, 20.0)
    assert made.trace is not None
    assert len(made.trace) > 5
    assert all(a.t_s <= b.t_s for a, b in zip(made.trace, made.trace[1:], strict=False))
