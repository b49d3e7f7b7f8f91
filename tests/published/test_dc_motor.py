"""The DC motor against a published example and against closed forms worked out beforehand."""

from __future__ import annotations

import math

import pytest

from sim.rig.arc import distance_to_rest, ease, time_to_rest
from sim.rig.motor import Motor, plant_of

# Control Tutorials for Matlab and Simulink, "DC Motor Speed: System Modeling" (read there):
# J 0.01 kg m2, b 0.1 N m s, K 0.01, R 1 ohm, L 0.5 H, 1 V.
TUTORIAL = Motor(
    supply_v=1.0,
    winding_ohm=1.0,
    supply_ohm=0.0,
    ke=0.01,
    inertia_kgm2=0.01,
    viscous_nms=0.1,
    coulomb_nm=0.0,
    static_nm=0.0,
    counts_per_rad=1.0,
    inductance_h=0.5,
)


def test_tutorial_motor_reaches_the_printed_speed_and_poles() -> None:
    assert TUTORIAL.free_speed_rad_s(1.0) == pytest.approx(0.1, abs=5e-4)  # as printed
    slow, fast = TUTORIAL.poles
    assert (round(slow.real), round(fast.real)) == (-2, -10)  # as printed
    # computed from the same data, to more digits
    assert TUTORIAL.free_speed_rad_s(1.0) == pytest.approx(0.0999000999, abs=1e-10)
    assert slow.real == pytest.approx(-2.00250078, abs=1e-8)
    assert fast.real == pytest.approx(-9.99749922, abs=1e-8)


def test_tutorial_motor_settles_in_the_printed_time() -> None:
    final = TUTORIAL.free_speed_rad_s(1.0)
    slow, fast = (pole.real for pole in TUTORIAL.poles)

    def speed(t: float) -> float:
        """Step response of two real poles at rest (partial fractions)."""
        decay = (fast * math.exp(slow * t) - slow * math.exp(fast * t)) / (fast - slow)
        return final * (1.0 - decay)

    assert speed(1.0) == pytest.approx(0.083037111, abs=1e-9)  # computed
    times = [n * 1e-4 for n in range(40_000)]
    outside = [t for t in times if abs(speed(t) / final - 1.0) > 0.02]
    assert outside[-1] == pytest.approx(2.07, abs=0.01)  # as printed: 2.07 s
    assert outside[-1] == pytest.approx(2.0652, abs=2e-4)  # computed


def test_tutorial_motor_may_not_be_simulated_without_its_inductance() -> None:
    assert TUTORIAL.electrical_ratio < 10  # its electrical pole is the slow one of the two


# A case worked out beforehand (computed): the load behind a gear of 300:1 and efficiency 0.7,
# with J = Jm + JL/(eta N^2) and Tf = Tc + TL/(eta N).
N, ETA = 300.0, 0.7
INERTIA = 2e-5 + 8.0 / (ETA * N * N)
FRICTION = 0.01 + 20.0 / (ETA * N)
GEARED = Motor(
    supply_v=36.0,
    winding_ohm=6.0,
    supply_ohm=0.0,
    ke=0.05,
    inertia_kgm2=INERTIA,
    viscous_nms=1e-5,
    coulomb_nm=FRICTION,
    static_nm=FRICTION,
    counts_per_rad=1.0,
)
FINAL_RAD_S = 456.4732143  # computed


def test_reflected_load() -> None:
    assert pytest.approx(1.4698413e-4, rel=1e-7) == INERTIA
    assert pytest.approx(0.1052380952, abs=1e-10) == FRICTION


def test_geared_motor_runs_as_its_closed_form() -> None:
    plant = plant_of(GEARED)
    a = plant.drive - plant.friction
    assert a / plant.k_drive == pytest.approx(FINAL_RAD_S, abs=1e-7)
    assert GEARED.tau_s == pytest.approx(0.3444940476, abs=1e-10)
    assert 1.0 / plant.k_drive == pytest.approx(GEARED.tau_s)
    assert GEARED.stall_a == pytest.approx(6.0)
    assert plant.current_a(FINAL_RAD_S, 1) == pytest.approx(2.1960565, abs=1e-7)
    e1, _ = ease(plant.k_drive, 0.05)
    assert a * e1 == pytest.approx(61.66913767, abs=1e-7)
    _, e2 = ease(plant.k_drive, 0.5)
    assert a * e2 == pytest.approx(107.8192720, abs=1e-6)


@pytest.mark.parametrize(
    ("way", "seconds", "radians", "output_deg"),
    [
        ("open", 0.6241081586, 141.436306, 27.01234),
        ("shorted", 0.3608771916, 68.2413015, 13.03313),
    ],
)
def test_geared_motor_coasts_as_its_closed_form(
    way: str, seconds: float, radians: float, output_deg: float
) -> None:
    plant = plant_of(GEARED)
    k = plant.k_coast if way == "open" else plant.k_brake
    assert time_to_rest(FINAL_RAD_S, -plant.friction, k) == pytest.approx(seconds, rel=1e-8)
    coast = distance_to_rest(FINAL_RAD_S, -plant.friction, k)
    assert coast == pytest.approx(radians, rel=1e-8)
    assert math.degrees(coast) / N == pytest.approx(output_deg, abs=1e-5)


def test_coast_on_dry_friction_alone() -> None:
    plant = plant_of(GEARED)
    assert time_to_rest(FINAL_RAD_S, -plant.friction, 0.0) == pytest.approx(0.6375478, abs=1e-7)
    assert distance_to_rest(FINAL_RAD_S, -plant.friction, 0.0) == pytest.approx(
        145.511748, abs=1e-6
    )
