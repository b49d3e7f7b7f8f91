"""The polar mount under the belt: how to set it, where it turns, and what it misses.

Hour angles are west positive in both hemispheres and 0 where the mount faces the equator.
Declinations are negative for satellites seen from the north.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

from sim.sky.belt import BELT_RADIUS_KM, Site
from sim.sky.vector import Vector, add, dot, rotate, scale

UP: Vector = (0.0, 0.0, 1.0)
NORTH: Vector = (0.0, 1.0, 0.0)


class Aim(NamedTuple):
    """Where a mount turns to for a satellite, and how far the beam still passes from it."""

    hour_angle_deg: float  # of the mount about its own axis
    cross_arc_deg: float  # positive when the satellite stands nearer the equator than the beam


@dataclass(frozen=True, slots=True)
class Mount:
    """A polar mount as it stands: its two settings, and the errors of the pole that carries it.

    `axis_tilt_deg` is the elevation of the axis over the horizontal, toward the nearer pole;
    `declination_offset_deg` lowers the beam from square to the axis toward the equator.
    `twist_deg` turns the whole pole clockwise seen from above; `lean_deg` leans its top east.
    """

    axis_tilt_deg: float
    declination_offset_deg: float
    southern: bool = False
    twist_deg: float = 0.0
    lean_deg: float = 0.0

    @property
    def axes(self) -> tuple[Vector, Vector, Vector]:
        """Unit vectors (east, north, up) along the axis, to noon square to it, and to its west."""
        tilt = math.radians(self.axis_tilt_deg)
        poleward = -1.0 if self.southern else 1.0
        axis: Vector = (0.0, poleward * math.cos(tilt), math.sin(tilt))
        noon: Vector = (0.0, -poleward * math.sin(tilt), math.cos(tilt))
        west: Vector = (-1.0, 0.0, 0.0)
        return self._out_of_plumb(axis), self._out_of_plumb(noon), self._out_of_plumb(west)

    def _out_of_plumb(self, direction: Vector) -> Vector:
        """A direction of the upright mount, carried along by the pole's lean and twist."""
        leaned = rotate(direction, NORTH, self.lean_deg)
        return rotate(leaned, UP, -self.twist_deg)

    def point(self, hour_angle_deg: float) -> Vector:
        """Unit vector of the beam, east, north, up, with the mount turned to an hour angle."""
        axis, noon, west = self.axes
        hour, offset = math.radians(hour_angle_deg), math.radians(self.declination_offset_deg)
        level = add(scale(noon, math.cos(hour)), scale(west, math.sin(hour)))
        return add(scale(level, math.cos(offset)), scale(axis, -math.sin(offset)))

    def aim(self, direction: Vector) -> Aim:
        """The hour angle that brings the beam nearest to a direction, and what it still misses.

        >>> mount = Mount(45.0, 6.0)
        >>> round(mount.aim(mount.point(30.0)).hour_angle_deg, 6)
        30.0
        """
        axis, noon, west = self.axes
        x, y, z = dot(direction, noon), dot(direction, west), dot(direction, axis)
        hour_angle = math.degrees(math.atan2(y, x))
        equatorward = math.degrees(math.atan2(-z, math.hypot(x, y)))
        return Aim(hour_angle, equatorward - self.declination_offset_deg)


def hour_angle_deg(site: Site, longitude_deg: float) -> float:
    """Hour angle of a satellite about the Earth's axis through the site, west positive.

    >>> round(hour_angle_deg(Site(52.0, 5.0), 13.0), 2)
    -8.82
    """
    out_m, east_m, _ = _equatorial(site, longitude_deg)
    return math.degrees(math.atan2(-east_m, out_m))


def declination_deg(site: Site, longitude_deg: float) -> float:
    """Declination of a satellite seen from the site: negative from the northern hemisphere.

    >>> round(declination_deg(Site(52.0, 5.0), 13.0), 2)
    -7.45
    """
    out_m, east_m, up_m = _equatorial(site, longitude_deg)
    return math.degrees(math.atan2(up_m, math.hypot(out_m, east_m)))


def true_mount(site: Site) -> Mount:
    """The mount with its axis parallel to the Earth's, peaked on the meridian.

    >>> mount = true_mount(Site(45.0, 0.0))
    >>> mount.axis_tilt_deg, round(mount.declination_offset_deg, 4)
    (45.0, 6.7974)
    """
    axial_m, over_equator_m = site.axial
    noon = math.atan2(abs(over_equator_m), BELT_RADIUS_KM * 1000.0 - axial_m)
    return Mount(abs(site.latitude_deg), math.degrees(noon), site.latitude_deg < 0.0)


def modified_mount(site: Site) -> Mount:
    """The mount leaned toward the equator so that it meets the belt at noon and six hours aside.

    It then follows the belt within 0.01 deg from any site, where the true one misses up to 0.6.

    >>> mount = modified_mount(Site(45.0, 0.0))
    >>> round(mount.axis_tilt_deg - 45.0, 2), round(mount.declination_offset_deg, 2)
    (0.69, 6.11)
    """
    axial_m, over_equator_m = site.axial
    true = true_mount(site)
    reach_m = math.sqrt((BELT_RADIUS_KM * 1000.0) ** 2 - axial_m**2)
    aside = math.degrees(math.atan2(abs(over_equator_m), reach_m))
    lean = true.declination_offset_deg - aside
    return replace(true, axis_tilt_deg=true.axis_tilt_deg + lean, declination_offset_deg=aside)


def _equatorial(site: Site, longitude_deg: float) -> Vector:
    """From site to satellite in m: outward in the site's meridian, east, along the Earth's axis."""
    east, north, up = site.to_satellite(longitude_deg)
    latitude = math.radians(site.latitude_deg)
    sin, cos = math.sin(latitude), math.cos(latitude)
    return (cos * up - sin * north, east, sin * up + cos * north)
