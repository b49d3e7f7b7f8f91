"""How fast the rig is, beside a general ODE solver and a small-step loop, in one run.

    python tests/benchmarks/rig_speed.py [--quick]

One move is 232 counts from rest to the cut and the coast to rest, on level ground. The solver
finds the cut pulse and the standstill as events; its error is that of the cut's time. A rig-year
is 20 moves a day between the positions of the Larkmere yard.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable

from scipy.integrate import solve_ivp

from sim.drift import forecast
from sim.rig.ends import Ends
from sim.rig.load import Wind, weight_of
from sim.rig.machine import Machine
from sim.rig.motor import plant_of
from sim.rig.move import Mover
from sim.rig.reed import Reed
from sim.yard_files import load_yard

PULSES = 232
YARD = load_yard("larkmere")
MOTOR = YARD.motor
PLANT = plant_of(MOTOR)
LEVEL = weight_of([], 20.0, 0.0, 1000.0)


def best_of(times: int, run: Callable[[], object]) -> float:
    """Seconds of the quickest run."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        run()
        best = min(best, time.perf_counter() - start)
    return best


def mover() -> Mover:
    return Mover(PLANT, LEVEL, half_close=0.20, half_open=0.28, brake=False)


def by_machine() -> None:
    """Every edge as an event of its own, pulse times made."""
    reed = Reed()
    reed.place(300.0)
    left = PULSES

    def on_edge(t_s: float, closing: bool, direction: int, truth: int) -> None:
        nonlocal left
        left -= truth
        if left == 0:
            machine.set_drive(t_s, 0)

    machine = Machine(
        PLANT,
        Ends(-1e6, 1e6, -2e6, 2e6),
        weight=LEVEL,
        wind=Wind(),
        reed=reed,
        x=300.0,
        on_edge=on_edge,
    )
    machine.set_drive(0.0, 1)
    while machine.moving:
        machine.step()


def by_solver(method: str, tolerance: float) -> float:
    """One move with a general solver; time of the cut pulse."""
    edge = PULSES - 0.46
    j, b, ke, rads = MOTOR.inertia_kgm2, MOTOR.viscous_nms, MOTOR.ke, MOTOR.counts_per_rad
    ohms, friction = MOTOR.loop_ohm, MOTOR.coulomb_nm

    def driven(_: float, y: list[float]) -> list[float]:
        return [y[1], (ke * (36.0 - ke * y[1]) / ohms - b * y[1] - friction) / j]

    def open_circuit(_: float, y: list[float]) -> list[float]:
        return [y[1], (-b * y[1] - friction) / j]

    def at_pulse(_: float, y: list[float]) -> float:
        return y[0] * rads - edge

    def at_rest(_: float, y: list[float]) -> float:
        return y[1]

    at_pulse.terminal = True  # type: ignore[attr-defined]
    at_rest.terminal = True  # type: ignore[attr-defined]
    options = {"method": method, "rtol": tolerance, "atol": tolerance}
    drive = solve_ivp(driven, (0.0, 60.0), [0.0, 0.0], events=at_pulse, **options)
    solve_ivp(open_circuit, (0.0, 5.0), drive.y[:, -1], events=at_rest, **options)
    return float(drive.t_events[0][0])


def by_small_steps() -> None:
    """Euler steps of 1 ms, as a simulator is first written; about a ms wrong at the cut."""
    edge, x, w, dt = PULSES - 0.46, 0.0, 0.0, 1e-3
    while x < edge:
        w += (PLANT.drive - PLANT.friction - PLANT.k_drive * w) * dt
        x += w * dt
    while w > 0.0:
        w += (-PLANT.friction - PLANT.k_coast * w) * dt
        x += w * dt


def rig_year() -> int:
    """7,300 moves of one rig in plain Python; how many pulses they took."""
    made = Mover(PLANT, YARD.weight, half_close=0.20, half_open=0.28, brake=False)
    places = list(YARD.taught_counts().values())
    rng = random.Random(1)
    x, truth, pulses = 609.0, 609, 0
    for goal in rng.choices(places, k=7300):
        way = goal - truth
        count = (way if way > 0 else -way) - 2
        if count > 0:
            stop = made.move(x, truth, 1 if way > 0 else -1, count)
            pulses += abs(stop.truth - truth)
            x, truth = stop.x, stop.truth
    return pulses


def main() -> None:
    quick = "--quick" in sys.argv
    made = mover()
    exact = made.move(0.0, 0, 1, PULSES).cut_s
    many = 2000

    def moves() -> None:
        for _ in range(many):
            made.move(0.0, 0, 1, PULSES)

    ours = best_of(5, moves) / many
    rows = [("three arcs, no pulse times", ours, 0.0), ("every edge", best_of(5, by_machine), 0.0)]
    for method, tolerance in (("LSODA", 1e-10), ("DOP853", 1e-10), ("RK45", 1e-10)):
        error = abs(by_solver(method, tolerance) - exact)
        seconds = best_of(3, lambda m=method, t=tolerance: by_solver(m, t))  # type: ignore[misc]
        rows.append((f"{method} at {tolerance:g}", seconds, error))
    rows.append(("Euler, 1 ms", best_of(2, by_small_steps), float("nan")))
    print(f"one move of {PULSES} counts, {exact:.2f} s of simulated time to the cut")
    print(f"{'way':<30}{'us':>12}{'times ours':>14}{'error at cut, s':>18}")
    for name, seconds, error in rows:
        print(f"{name:<30}{seconds * 1e6:>12.1f}{seconds / ours:>14.0f}{error:>18.1e}")
    pulses = rig_year()
    print(f"one rig-year, plain Python, 7,300 moves, {pulses / 1e6:.2f} M counts, no pulse times:")
    print(f"  {best_of(3, rig_year):.3f} s (goal 0.1)")
    rigs = 1000 if quick else 10_000
    for years in (0.25, 0.5, 1.0):
        start = time.perf_counter()
        found = forecast(YARD, years=years, rigs=rigs)
        seconds = time.perf_counter() - start
        per_move = seconds / (found.moves * rigs)
        print(
            f"{rigs:,} rigs for {years:g} years, numpy: {seconds:.2f} s,"
            f" {per_move * 1e9:.0f} ns a move, {1e-6 / per_move:.1f} M moves/s"
        )
    print("  (goal: 10,000 rigs for one year under 10 s, cost linear in moves)")


if __name__ == "__main__":
    main()
