"""Where the geostationary belt stands over a site: azimuth, elevation, range, and what hides it.

Earth-centred frame: x through the Greenwich meridian, z through the north pole. Local frame: east,
north, up on the ellipsoid's normal. Longitudes east positive, azimuths clockwise from true north.
Elevations are geometric; `refraction_deg` adds the bending of the air for those who want it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from bridge.errors import YardError
from sim.sky.vector import Vector

BELT_RADIUS_KM = 42164.0  # km, geostationary radius as textbooks round it (Roddy, section 3.2)
OVERHEAD_DEG = 1e-6  # deg from the zenith under which there is no azimuth (judgement)


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """A figure of the Earth: equatorial radius and flattening (0 for a sphere)."""

    equatorial_m: float
    flattening: float


WGS84 = Ellipsoid(6378137.0, 1 / 298.257223563)  # m, 1: World Geodetic System 1984


@dataclass(frozen=True, slots=True)
class Site:
    """A place on the ground; YardError where it cannot be one."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    earth: Ellipsoid = WGS84

    def __post_init__(self) -> None:
        _require("latitude_deg", self.latitude_deg, (-90.0, 90.0), "deg", "north is positive")
        require_longitude(self.longitude_deg)
        _require("height_m", self.height_m, (-500.0, 9000.0), "m", "give metres above sea level")

    @property
    def axial(self) -> tuple[float, float]:
        """Distance from the Earth's axis and height over the equator's plane, both in m."""
        latitude = math.radians(self.latitude_deg)
        squeeze = (1.0 - self.earth.flattening) ** 2  # (b / a) squared
        sin, cos = math.sin(latitude), math.cos(latitude)
        normal_m = self.earth.equatorial_m / math.sqrt(cos * cos + squeeze * sin * sin)
        return (normal_m + self.height_m) * cos, (squeeze * normal_m + self.height_m) * sin

    def to_satellite(self, longitude_deg: float) -> Vector:
        """From the site to the satellite in m, east, north, up."""
        require_longitude(longitude_deg)
        radius_m = BELT_RADIUS_KM * 1000.0
        axial_m, over_equator_m = self.axial
        ahead = math.radians(longitude_deg - self.longitude_deg)
        latitude = math.radians(self.latitude_deg)
        out_m = radius_m * math.cos(ahead) - axial_m  # in the site's meridian plane
        sin, cos = math.sin(latitude), math.cos(latitude)
        return (
            radius_m * math.sin(ahead),
            -sin * out_m - cos * over_equator_m,
            cos * out_m - sin * over_equator_m,
        )


@dataclass(frozen=True, slots=True)
class LookAngles:
    """Direction and distance; `azimuth_deg` is None straight overhead, where there is none."""

    azimuth_deg: float | None
    elevation_deg: float
    range_km: float


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A sector of azimuth, clockwise from one edge to the other, hidden up to an elevation.

    From 350 to 10 deg wraps north; from 0 to 360 deg is all round.

    >>> Obstacle(350, 10, 20).hides(LookAngles(5.0, 12.0, 38000.0))
    True
    """

    from_azimuth_deg: float
    to_azimuth_deg: float
    elevation_deg: float

    def __post_init__(self) -> None:
        hint = "azimuths run clockwise from true north"
        _require("obstacle azimuth_deg", self.from_azimuth_deg, (0.0, 360.0), "deg", hint)
        _require("obstacle azimuth_deg", self.to_azimuth_deg, (0.0, 360.0), "deg", hint)
        _require(
            "obstacle elevation_deg", self.elevation_deg, (0.0, 90.0), "deg", "0 is the horizontal"
        )
        if self.from_azimuth_deg == self.to_azimuth_deg:
            raise YardError(
                f"obstacle azimuth_deg [{self.from_azimuth_deg:g}, {self.to_azimuth_deg:g}] has no"
                " width; give the azimuths of both edges, clockwise, or 0 and 360 for all round"
            )

    def hides(self, look: LookAngles) -> bool:
        """True when the line of sight meets it; its top edge hides too."""
        if look.elevation_deg > self.elevation_deg:
            return False
        if look.azimuth_deg is None:  # overhead, under an obstacle that reaches the zenith
            return True
        width = self.to_azimuth_deg - self.from_azimuth_deg
        if abs(width) == 360.0:
            return True
        return (look.azimuth_deg - self.from_azimuth_deg) % 360.0 <= width % 360.0


def look_angles(site: Site, longitude_deg: float) -> LookAngles:
    """Look angles to a geostationary satellite, unrefracted.

    >>> look = look_angles(Site(48.1, 11.6, 520), 19.2)
    >>> f"{look.azimuth_deg:.6f} {look.elevation_deg:.6f} {look.range_km:.4f}"
    '169.830055 34.300313 38230.9633'
    """
    east, north, up = site.to_satellite(longitude_deg)
    level = math.hypot(east, north)
    elevation = math.degrees(math.atan2(up, level))
    azimuth = math.degrees(math.atan2(east, north)) % 360.0
    if azimuth >= 360.0:  # a tiny negative angle rounds up to a full turn
        azimuth = 0.0
    return LookAngles(
        None if 90.0 - elevation < OVERHEAD_DEG else azimuth,
        elevation,
        math.hypot(level, up) / 1000.0,
    )


def refraction_deg(elevation_deg: float, height_m: float = 0.0) -> float:
    """How much higher than its geometric elevation a radio source appears; 0 below the horizon.

    ITU-R P.834, the fit for free-space elevations up to 10 deg (from memory), continued by the
    cotangent law of a flat atmosphere. A mean atmosphere: the true figure varies with the weather.

    >>> round(refraction_deg(0.0), 2), round(refraction_deg(30.0), 2)
    (0.58, 0.03)
    """
    if elevation_deg < 0.0:
        return 0.0
    e, h = min(elevation_deg, 10.0), min(max(height_m / 1000.0, 0.0), 3.0)
    bend = 1.0 / (
        1.728
        + 0.5411 * e
        + 0.03723 * e * e
        + h * (0.1815 + 0.06272 * e + 0.01380 * e * e)
        + h * h * (0.01727 + 0.008288 * e)
    )
    if elevation_deg <= 10.0:
        return bend
    return bend * math.tan(math.radians(10.0)) / math.tan(math.radians(min(elevation_deg, 90.0)))


def hidden_by(
    site: Site, longitude_deg: float, obstacles: Iterable[Obstacle] = ()
) -> Literal["horizon", "obstacle"] | None:
    """What stands between the site and a satellite: the horizon, an obstacle, or nothing."""
    look = look_angles(site, longitude_deg)
    if look.elevation_deg < 0.0:
        return "horizon"
    return "obstacle" if any(o.hides(look) for o in obstacles) else None


def half_belt_deg(site: Site, min_elevation_deg: float = 0.0) -> float:
    """How far along the belt, in longitude either way, satellites stand at or over an elevation.

    YardError when even the highest one is lower.

    >>> round(half_belt_deg(Site(0.0, 0.0)), 2)
    81.3
    """
    site_highest = _elevation(site, 0.0)
    if site_highest < min_elevation_deg:
        raise YardError(
            f"latitude_deg {site.latitude_deg:g} has no view of the belt: its highest satellite"
            f" stands at {site_highest:.2f} deg, needed is {min_elevation_deg:g} deg or more;"
            " sites beyond about 81.3 deg north or south see none"
        )
    low, high = 0.0, 180.0
    while high - low > 1e-11:
        middle = (low + high) / 2.0
        if _elevation(site, middle) >= min_elevation_deg:
            low = middle
        else:
            high = middle
    return low


def wrap_longitude(longitude_deg: float) -> float:
    """The same meridian written from -180 up to, not including, 180 deg.

    >>> wrap_longitude(355.0), wrap_longitude(-190.0)
    (-5.0, 170.0)
    """
    return (longitude_deg + 180.0) % 360.0 - 180.0


def require_longitude(longitude_deg: float) -> None:
    """YardError unless a longitude is written from -180 to 180 deg."""
    hint = "east is positive"
    if math.isfinite(longitude_deg) and abs(longitude_deg) <= 360.0:
        hint += f", so write {wrap_longitude(longitude_deg):g}"
    _require("longitude_deg", longitude_deg, (-180.0, 180.0), "deg", hint)


def _elevation(site: Site, ahead_deg: float) -> float:
    meridian = Site(site.latitude_deg, 0.0, site.height_m, site.earth)
    return look_angles(meridian, ahead_deg).elevation_deg


def _require(key: str, value: float, limits: tuple[float, float], unit: str, hint: str) -> None:
    low, high = limits
    if not low <= value <= high:  # nan fails too
        raise YardError(f"{key} {value:g} is not within {low:g} to {high:g} {unit}; {hint}")
