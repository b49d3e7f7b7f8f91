"""The DC motor and its gear: its constants, from a bench or from a technician's readings.

Places are in counts of the reed sensor and grow west; speeds in counts/s; a positive load pulls
west. The winding's inductance is left out of the motion; `electrical_ratio` shows where that is
allowed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.rig.arc import coast_shape


@dataclass(frozen=True, slots=True)
class Motor:
    """A motor with its gear as measured on a bench, in SI units; all friction is at the motor."""

    supply_v: float
    winding_ohm: float
    supply_ohm: float  # supply and cable in series with the winding
    ke: float  # V s/rad, and the same number in N m/A
    inertia_kgm2: float
    viscous_nms: float
    coulomb_nm: float
    static_nm: float
    counts_per_rad: float
    inductance_h: float = 0.0

    @property
    def loop_ohm(self) -> float:
        """Resistance of the whole circuit in ohm."""
        return self.winding_ohm + self.supply_ohm

    @property
    def stall_a(self) -> float:
        """Current in A with the shaft held."""
        return self.supply_v / self.loop_ohm

    @property
    def tau_s(self) -> float:
        """Time constant of the driven motor, inductance left out."""
        return self.inertia_kgm2 / (self.viscous_nms + self.ke**2 / self.loop_ohm)

    @property
    def poles(self) -> tuple[complex, complex]:
        """Poles in 1/s of speed against voltage with the inductance, the slower first."""
        r, j, b = self.loop_ohm, self.inertia_kgm2, self.viscous_nms
        if self.inductance_h == 0.0:
            return complex(-1.0 / self.tau_s), complex(-math.inf)
        two = self.inductance_h * j
        one = self.inductance_h * b + r * j
        none = r * b + self.ke**2
        root = complex(one * one - 4.0 * two * none) ** 0.5
        return (-one + root) / (2.0 * two), (-one - root) / (2.0 * two)

    @property
    def electrical_ratio(self) -> float:
        """How many times faster the current settles than the speed; leave out L from about 10."""
        slow, fast = self.poles
        return abs(fast.real) / abs(slow.real)

    def free_speed_rad_s(self, volts: float) -> float:
        """Steady speed of the motor in rad/s against its own friction, at a voltage in V."""
        r = self.loop_ohm
        push = self.ke * volts / r - self.coulomb_nm
        return push / (self.viscous_nms + self.ke**2 / r)


def fit_motor(
    *,
    speed_counts_s: float,
    coast_counts: float,
    running_a: float,
    supply_v: float,
    winding_ohm: float,
    supply_ohm: float,
    ke: float,
    viscous_nms: float,
    static_ratio: float,
    inductance_h: float = 0.0,
) -> Motor:
    """The motor that shows a technician's three readings on level ground: speed, current, coast.

    Raises ValueError for readings that no such motor has.
    """
    emf_v = supply_v - running_a * (winding_ohm + supply_ohm)
    if emf_v <= 0.0:
        raise ValueError(f"running_a {running_a:g} A leaves no voltage for motion; lower it")
    motor_rad_s = emf_v / ke
    counts_per_rad = speed_counts_s / motor_rad_s
    coulomb_nm = ke * running_a - viscous_nms * motor_rad_s
    if coulomb_nm <= 0.0:
        raise ValueError(f"running_a {running_a:g} A is less than viscous_nms alone would draw")
    ratio = viscous_nms * motor_rad_s / coulomb_nm
    # coast in rad: J/b (w - Tc/b ln(1 + b w/Tc)), written so that it keeps its digits as b -> 0
    per_inertia = motor_rad_s**2 / coulomb_nm * coast_shape(ratio)
    inertia = coast_counts / counts_per_rad / per_inertia
    return Motor(
        supply_v=supply_v,
        winding_ohm=winding_ohm,
        supply_ohm=supply_ohm,
        ke=ke,
        inertia_kgm2=inertia,
        viscous_nms=viscous_nms,
        coulomb_nm=coulomb_nm,
        static_nm=coulomb_nm * static_ratio,
        counts_per_rad=counts_per_rad,
        inductance_h=inductance_h,
    )


@dataclass(frozen=True, slots=True)
class Plant:
    """A motor's constants in counts: all that the arcs need."""

    drive: float  # counts/s2 at full voltage
    k_drive: float  # 1/s powered
    k_coast: float  # 1/s, winding open
    k_brake: float  # 1/s, winding shorted
    friction: float  # counts/s2 while it moves
    static: float  # counts/s2 that must be exceeded to start
    per_nm: float  # counts/s2 for each N m of load at the motor
    supply_v: float
    winding_ohm: float
    loop_ohm: float
    emf_per_speed: float  # V for each count/s

    def current_a(self, speed: float, polarity: int) -> float:
        """Motor current, positive when the supply drives it, at a speed (signed, west positive)."""
        return (self.supply_v - self.emf_per_speed * speed * polarity) / self.loop_ohm

    def speed_at_current(self, amps: float) -> float:
        """Speed along the drive at which the current is `amps`."""
        return (self.supply_v - amps * self.loop_ohm) / self.emf_per_speed


def plant_of(motor: Motor, *, supply_v: float | None = None, extra_ohm: float = 0.0) -> Plant:
    """The constants of a motor, on its supply or another, with `extra_ohm` more in the circuit."""
    volts = motor.supply_v if supply_v is None else supply_v
    r = motor.loop_ohm + extra_ohm
    j, g, b = motor.inertia_kgm2, motor.counts_per_rad, motor.viscous_nms
    return Plant(
        drive=g * motor.ke * volts / (j * r),
        k_drive=(motor.ke**2 / r + b) / j,
        k_coast=b / j,
        k_brake=(motor.ke**2 / motor.winding_ohm + b) / j,
        friction=g * motor.coulomb_nm / j,
        static=g * motor.static_nm / j,
        per_nm=g / j,
        supply_v=volts,
        winding_ohm=motor.winding_ohm,
        loop_ohm=r,
        emf_per_speed=motor.ke / g,
    )
