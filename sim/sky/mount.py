"""The polar mount under the belt: how to set it, where it turns, and what it misses.

Hour angles are west positive in both hemispheres and 0 where the mount faces the equator.
Declinations are negative for satellites seen from the north. Tilts of polarization are clockwise
positive seen from behind the dish, and mean lines, so they repeat every 180 deg.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

from sim.sky.belt import BELT_RADIUS_KM, Site
from sim.sky.vector import Vector, add, cross, dot, scale, separation_deg, turn, unit

UP: Vector = (0.0, 0.0, 1.0)
NORTH: Vector = (0.0, 1.0, 0.0)


class Tilts(NamedTuple):
    """Polarization tilts in deg of a satellite's vertical and horizontal signals."""

    vertical_deg: float
    horizontal_deg: float


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
    def frame(self) -> tuple[Vector, Vector, Vector]:
        """Unit vectors (east, north, up) along the axis, to noon square to it, and to its west."""
        tilt = math.radians(self.axis_tilt_deg)
        poleward = -1.0 if self.southern else 1.0
        axis: Vector = (0.0, poleward * math.cos(tilt), math.sin(tilt))
        noon: Vector = (0.0, -poleward * math.sin(tilt), math.cos(tilt))
        west: Vector = (-1.0, 0.0, 0.0)
        if self.lean_deg == 0.0 and self.twist_deg == 0.0:
            return axis, noon, west
        return self._stand(axis), self._stand(noon), self._stand(west)

    def _stand(self, direction: Vector) -> Vector:
        leaned = turn(direction, NORTH, self.lean_deg)
        return turn(leaned, UP, -self.twist_deg)

    def point(self, hour_angle_deg: float) -> Vector:
        """Unit vector of the beam, east, north, up, with the mount turned to an hour angle."""
        axis, noon, west = self.frame
        hour, offset = math.radians(hour_angle_deg), math.radians(self.declination_offset_deg)
        level = add(scale(noon, math.cos(hour)), scale(west, math.sin(hour)))
        return add(scale(level, math.cos(offset)), scale(axis, -math.sin(offset)))

    def aim(self, direction: Vector) -> Aim:
        """The hour angle that brings the beam nearest to a direction, and what it still misses."""
        axis, noon, west = self.frame
        x, y, z = dot(direction, noon), dot(direction, west), dot(direction, axis)
        hour_angle = math.degrees(math.atan2(y, x))
        equatorward = math.degrees(math.atan2(-z, math.hypot(x, y)))
        return Aim(hour_angle, equatorward - self.declination_offset_deg)

    def miss_deg(self, hour_angle_deg: float, direction: Vector) -> float:
        """Angle between the beam, with the mount turned to an hour angle, and a direction."""
        return separation_deg(self.point(hour_angle_deg), direction)


def hour_angle_deg(site: Site, longitude_deg: float, *, radius_km: float = BELT_RADIUS_KM) -> float:
    """Hour angle of a satellite about the Earth's axis through the site, west positive.

    >>> round(hour_angle_deg(Site(52.0, 5.0), 13.0), 2)
    -8.82
    """
    out_m, east_m, _ = _equatorial(site, longitude_deg, radius_km)
    return math.degrees(math.atan2(-east_m, out_m))


def declination_deg(
    site: Site, longitude_deg: float, *, radius_km: float = BELT_RADIUS_KM
) -> float:
    """Declination of a satellite seen from the site: negative from the northern hemisphere.

    >>> round(declination_deg(Site(52.0, 5.0), 13.0), 2)
    -7.45
    """
    out_m, east_m, up_m = _equatorial(site, longitude_deg, radius_km)
    return math.degrees(math.atan2(up_m, math.hypot(out_m, east_m)))


def true_mount(site: Site, *, radius_km: float = BELT_RADIUS_KM) -> Mount:
    """The mount with its axis parallel to the Earth's, peaked on the meridian.

    >>> mount = true_mount(Site(45.0, 0.0))
    >>> mount.axis_tilt_deg, round(mount.declination_offset_deg, 4)
    (45.0, 6.7974)
    """
    axial_m, over_equator_m = site.axial
    noon = math.atan2(abs(over_equator_m), radius_km * 1000.0 - axial_m)
    return Mount(abs(site.latitude_deg), math.degrees(noon), site.latitude_deg < 0.0)


def modified_mount(site: Site, *, radius_km: float = BELT_RADIUS_KM) -> Mount:
    """The mount leaned toward the equator so that it meets the belt at noon and six hours aside.

    It then follows the belt within 0.01 deg from any site, where the true one misses up to 0.6.

    >>> mount = modified_mount(Site(45.0, 0.0))
    >>> round(mount.axis_tilt_deg - 45.0, 2), round(mount.declination_offset_deg, 2)
    (0.69, 6.11)
    """
    axial_m, over_equator_m = site.axial
    true = true_mount(site, radius_km=radius_km)
    reach_m = math.sqrt((radius_km * 1000.0) ** 2 - axial_m**2)
    aside = math.degrees(math.atan2(abs(over_equator_m), reach_m))
    lean = true.declination_offset_deg - aside
    return replace(true, axis_tilt_deg=true.axis_tilt_deg + lean, declination_offset_deg=aside)


def simple_tilt_deg(site: Site, longitude_deg: float) -> float:
    """Polarization tilt as if the satellite were infinitely far: the pocket formula.

    >>> round(simple_tilt_deg(Site(40.0, -30.0), 0.0), 1)
    -30.8
    """
    ahead, latitude = (
        math.radians(longitude_deg - site.longitude_deg),
        math.radians(site.latitude_deg),
    )
    if site.latitude_deg == 0.0 and math.sin(ahead) == 0.0:
        return 0.0  # straight overhead: turning the dish changes it, so none is named
    return fold_tilt(math.degrees(math.atan2(-math.sin(ahead), math.tan(latitude))))


def tilts_deg(site: Site, longitude_deg: float, *, radius_km: float = BELT_RADIUS_KM) -> Tilts:
    """Exact tilts against the local vertical and horizontal of what a satellite sends.

    Its vertical is parallel to the Earth's axis, its horizontal square to that and to its radius.
    Overhead there is no local vertical to tilt from; north stands in for it.
    """
    sight = unit(site.to_satellite(longitude_deg, radius_km))
    upright = NORTH if math.hypot(sight[0], sight[1]) < 1e-9 else UP
    return _tilts(site, longitude_deg, sight, upright)


def residual_tilts_deg(
    site: Site, mount: Mount, longitude_deg: float, *, radius_km: float = BELT_RADIUS_KM
) -> Tilts:
    """What is left to trim once the mount has turned the feed along the arc.

    A true mount leaves nothing of the vertical and up to 0.66 deg of the horizontal.
    """
    sight = unit(site.to_satellite(longitude_deg, radius_km))
    return _tilts(site, longitude_deg, sight, mount.frame[0])


def fold_tilt(angle_deg: float) -> float:
    """The same line's tilt from just over -90 up to 90 deg.

    >>> fold_tilt(135.0), fold_tilt(-90.0)
    (-45.0, 90.0)
    """
    return 90.0 - (90.0 - angle_deg) % 180.0


def _equatorial(site: Site, longitude_deg: float, radius_km: float) -> Vector:
    """From site to satellite in m: outward in the site's meridian, east, along the Earth's axis."""
    east, north, up = site.to_satellite(longitude_deg, radius_km)
    latitude = math.radians(site.latitude_deg)
    sin, cos = math.sin(latitude), math.cos(latitude)
    return (cos * up - sin * north, east, sin * up + cos * north)


def _tilts(site: Site, longitude_deg: float, sight: Vector, upright: Vector) -> Tilts:
    latitude = math.radians(site.latitude_deg)
    ahead = math.radians(longitude_deg - site.longitude_deg)
    axis: Vector = (0.0, math.cos(latitude), math.sin(latitude))
    outward: Vector = (0.0, -math.sin(latitude), math.cos(latitude))  # square to the axis, at noon
    along = add(scale((1.0, 0.0, 0.0), math.cos(ahead)), scale(outward, -math.sin(ahead)))
    right = unit(cross(sight, upright))
    top = cross(right, sight)
    vertical = math.degrees(math.atan2(dot(axis, right), dot(axis, top)))
    horizontal = math.degrees(math.atan2(-dot(along, top), dot(along, right)))
    return Tilts(fold_tilt(vertical), fold_tilt(horizontal))
