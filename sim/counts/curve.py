"""Counts along the arc as a function of a few unknowns, each with a normal prior.

The unknowns are deviations from the station file in units of their prior standard deviation, so
that a curve and its prior knowledge are one thing. Hour angles are the Earth's; the dish turns
about an axis of its own, set true or modified, which is tilted and leans a little. A twist of the
pole turns every hour angle by nearly the same amount (0.76 to 0.79 deg per deg over the arc at
latitude 45, computed): that part and an error of the noon angle are one unknown here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bridge.station.model import LinearMount, WormMount
from sim.sky.belt import BELT_RADIUS_KM, Site
from sim.sky.mount import modified_mount, true_mount

Array = NDArray[np.float64]
CurveKind = Literal["linear", "worm", "actuator", "straight", "smooth"]

LENGTH_SD_MM = 3.0  # mm, what a tape measure on a roof is trusted to; common practice
NOON_SD_DEG = 0.85  # deg, included angle at noon together with a twist of the pole; judgement
SCALE_SD = 0.002  # 1, share by which counts per mm or per deg may be off; judgement
ZERO_SD = 1000.0  # counts, how far a counter may have been set from any other; judgement
RETRACTED_SD_MM = 5.0  # mm, how far the counter's zero may be from the retracted end; judgement
WORM_NOON_SD = 20.0  # counts, how far a worm's written noon count may be off; judgement
TILT_SD_DEG = 0.25  # deg, how far an axis is from the tilt it was meant to have; judgement
LEAN_SD_DEG = 0.4  # deg, how far it leans east or west, a twist's share with it; judgement

STEEPNESS = (12.0, 5.0)  # counts/deg, mean and sd without [mount]: 6 to 20; common practice
# Mean and sd that hold a worm (0) and the triangles of tests/benchmarks/predict_study.py alike.
BEND = (-0.0025, 0.0022)  # 1/deg, second order over first: predict_study.py, print_bends
THIRD_ORDER = (-0.8e-5, 1.1e-5)  # 1/deg2, over the first: predict_study.py, print_bends
FOURTH_ORDER = (0.3e-7, 0.5e-7)  # counts/deg4 at 10 counts/deg: predict_study.py, print_bends
USUAL_NOON_DEG = (90.0, 5.5)  # deg, included angle at noon of an actuator not measured; judgement
USUAL_LOG_RATIO = (0.2, 0.17)  # 1, log of one pivot's distance over the other's; judgement


@dataclass(frozen=True, slots=True)
class Unknown:
    """One thing the station file may have wrong, with its prior mean, deviation and unit."""

    name: str
    mean: float
    sd: float
    unit: str


@dataclass(frozen=True, slots=True)
class Curve:
    """Counts at hour angles for unknowns given in prior deviations: (..., k), (n,) -> (..., n)."""

    kind: CurveKind  # "linear" and "worm" are measured, the others are without [mount]
    unknowns: tuple[Unknown, ...]
    shape: Callable[[Array, Array], Array]

    def values(self, z: Array) -> Array:
        """The unknowns in their own units, of the shape of `z`, (..., k)."""
        mean = np.array([unknown.mean for unknown in self.unknowns])
        sd = np.array([unknown.sd for unknown in self.unknowns])
        return np.asarray(mean + sd * z, dtype=np.float64)

    def counts(self, z: Array, hours_deg: Array) -> Array:
        """Counts (..., n) at hour angles (n,) for unknowns (..., k) in prior deviations."""
        return self.shape(self.values(z), hours_deg)

    def slopes(self, z: Array, hours_deg: Array) -> Array:
        """Derivatives (n, k) of the counts by the unknowns' prior deviations."""
        step = 1e-4  # prior deviations: rounding and third order both stay below 1e-6 counts
        steps = step * np.eye(len(self.unknowns))
        up, down = self.counts(z + steps, hours_deg), self.counts(z - steps, hours_deg)
        return np.asarray((up - down).T / (2.0 * step), dtype=np.float64)


def curve_of(
    mount: LinearMount | WormMount | None,
    site: Site | None = None,
    *,
    taught: int = 1,
    edges: float = 1.0,
) -> Curve:
    """The curve of a mount, or a smooth one where no mount was measured.

    Without a site the dish turns about the Earth's axis. With nothing taught the counter's zero is
    taken from the file; `edges` multiplies the counts per mm or deg (2 or 0.5: one or both edges
    of each magnet counted).
    """
    if isinstance(mount, LinearMount):
        return _on_imperfect_axis(_linear(mount, taught, edges), site)
    if isinstance(mount, WormMount):
        return _on_imperfect_axis(_worm(mount, taught, edges), site)
    return _smooth()


def unmeasured_curves() -> tuple[Curve, Curve, Curve]:
    """What a drive that nobody measured may be: an actuator, a worm, or anything smooth."""
    return _unmeasured_actuator(), _unmeasured_worm(), _smooth()


def mount_hour_angles_deg(
    site: Site, hours_deg: Array, tilted_deg: Array, leaned_deg: Array
) -> Array:
    """Hour angles of the belt about an axis tilted up and leaned west from the Earth's.

    The beam comes nearest to a satellite where the axis turns it into their common plane, whatever
    the declination offset. Exact for a tilt alone.

    >>> site, hours = Site(44.6, 3.9), np.array([-41.28, 0.0, 41.28])
    >>> (mount_hour_angles_deg(site, hours, np.array([0.69]), np.array([0.0])) - hours).round(3)
    array([ 0.05,  0.  , -0.05])
    """
    hours = np.radians(hours_deg)
    axial_m, over_equator_m = site.axial
    cos, sin = np.cos(hours), np.sin(hours)
    radius_m = BELT_RADIUS_KM * 1000.0
    level_m = np.sqrt(radius_m**2 - (axial_m * sin) ** 2) - axial_m * cos  # to the belt, from above
    tilt, lean = np.radians(tilted_deg), np.radians(leaned_deg)
    noon = level_m * cos * np.cos(tilt) + abs(over_equator_m) * np.sin(tilt)
    west = level_m * sin * np.cos(lean) + abs(over_equator_m) * np.sin(lean)
    return np.asarray(np.degrees(np.arctan2(west, noon)), dtype=np.float64)


def _on_imperfect_axis(curve: Curve, site: Site | None) -> Curve:
    """A curve on an axis set true or modified, one as likely as the other, and not quite so."""
    if site is None:
        return curve
    between = (modified_mount(site).axis_tilt_deg - true_mount(site).axis_tilt_deg) / 2.0
    axis = (
        Unknown("axis tilt", between, math.hypot(between, TILT_SD_DEG), "deg"),
        Unknown("axis lean", 0.0, LEAN_SD_DEG, "deg"),
    )

    def shape(values: Array, hours_deg: Array) -> Array:
        tilted, leaned = values[..., -2, None], values[..., -1, None]
        return curve.shape(values[..., :-2], mount_hour_angles_deg(site, hours_deg, tilted, leaned))

    return Curve(curve.kind, curve.unknowns + axis, shape)


def _linear(mount: LinearMount, taught: int, edges: float) -> Curve:
    zero_sd = ZERO_SD if taught else RETRACTED_SD_MM * mount.counts_per_mm
    unknowns = (
        Unknown("offset", 0.0, zero_sd, "counts"),
        Unknown("scale", edges, edges * SCALE_SD, "x"),
        Unknown("noon angle", mount.noon_angle_deg, NOON_SD_DEG, "deg"),
        Unknown("frame pivot", mount.frame_pivot_mm, LENGTH_SD_MM, "mm"),
        Unknown("dish pivot", mount.dish_pivot_mm, LENGTH_SD_MM, "mm"),
    )

    def shape(values: Array, hours_deg: Array) -> Array:
        offset, scale, noon, p, q = (values[..., i, None] for i in range(5))
        half = np.sin(np.radians(noon + hours_deg) / 2.0)
        length = np.sqrt((p - q) ** 2 + 4.0 * p * q * half * half)
        counts = offset + scale * mount.counts_per_mm * (length - mount.retracted_mm)
        return np.asarray(counts, dtype=np.float64)

    return Curve("linear", unknowns, shape)


def _worm(mount: WormMount, taught: int, edges: float) -> Curve:
    unknowns = (
        Unknown("offset", 0.0, ZERO_SD if taught else WORM_NOON_SD, "counts"),
        Unknown("scale", edges, edges * SCALE_SD, "x"),
    )

    def shape(values: Array, hours_deg: Array) -> Array:
        offset, scale = (values[..., i, None] for i in range(2))
        turned = mount.counts_per_deg * hours_deg
        return np.asarray(mount.noon_count + offset + scale * turned, dtype=np.float64)

    return Curve("worm", unknowns, shape)


def _unmeasured_actuator() -> Curve:
    """An actuator whose triangle is like those in use, its size taken from the counts alone."""
    unknowns = (
        Unknown("offset", 600.0, ZERO_SD, "counts"),
        Unknown("counts per deg", *STEEPNESS, "counts/deg"),
        Unknown("noon angle", *USUAL_NOON_DEG, "deg"),
        Unknown("pivots' ratio", *USUAL_LOG_RATIO, ""),
    )

    def shape(values: Array, hours_deg: Array) -> Array:
        offset, steep, noon_deg, ratio = (values[..., i, None] for i in range(4))
        noon = np.radians(noon_deg)
        apart = 2.0 * np.cosh(ratio)
        start = np.sqrt(apart - 2.0 * np.cos(noon))
        grown = np.sqrt(apart - 2.0 * np.cos(noon + np.radians(hours_deg))) - start
        return np.asarray(offset + steep * np.degrees(grown * start / np.sin(noon)), np.float64)

    return Curve("actuator", unknowns, shape)


def _unmeasured_worm() -> Curve:
    unknowns = (
        Unknown("offset", 600.0, ZERO_SD, "counts"),
        Unknown("counts per deg", *STEEPNESS, "counts/deg"),
    )

    def shape(values: Array, hours_deg: Array) -> Array:
        offset, steep = (values[..., i, None] for i in range(2))
        return np.asarray(offset + steep * hours_deg, dtype=np.float64)

    return Curve("straight", unknowns, shape)


def _smooth() -> Curve:
    unknowns = (
        Unknown("offset", 600.0, ZERO_SD, "counts"),
        Unknown("counts per deg", *STEEPNESS, "counts/deg"),
        Unknown("bend", *BEND, "1/deg"),
        Unknown("third order", *THIRD_ORDER, "1/deg2"),
        Unknown("fourth order", *FOURTH_ORDER, "1/deg3"),
    )

    def shape(values: Array, hours_deg: Array) -> Array:
        offset, steep, bend, turn, curl = (values[..., i, None] for i in range(5))
        h = hours_deg
        along = h * (1.0 + h * (bend + h * turn)) + 10.0 / STEEPNESS[0] * curl * h**4
        return np.asarray(offset + steep * along, dtype=np.float64)

    return Curve("smooth", unknowns, shape)
