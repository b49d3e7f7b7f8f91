"""Polarization over the belt: how a satellite's signals are tilted, and what a turned feed takes.

Tilts are clockwise positive seen from behind the dish. They are those of lines, so they repeat
every 180 deg.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.sky.belt import Site
from sim.sky.mount import NORTH, UP, Mount
from sim.sky.vector import Vector, add, cross, dot, scale, unit

EAST: Vector = (1.0, 0.0, 0.0)
OVERHEAD_SINE = 1e-9  # 1, sine from the zenith under which there is no local vertical (judgement)


class Tilts(NamedTuple):
    """Polarization tilts in deg of a satellite's vertical and horizontal signals."""

    vertical_deg: float
    horizontal_deg: float


def tilts_deg(site: Site, longitude_deg: float) -> Tilts:
    """Exact tilts of a satellite's signals against the local vertical and horizontal.

    The satellite's vertical is parallel to the Earth's axis, its horizontal is square to that axis
    and to the satellite's radius. Overhead there is no local vertical; north stands in for it.

    >>> round(tilts_deg(Site(52.0, 5.0), 13.0).vertical_deg, 3)
    -6.262
    """
    sight = unit(site.to_satellite(longitude_deg))
    upright = NORTH if math.hypot(sight[0], sight[1]) < OVERHEAD_SINE else UP
    return _tilts(site, longitude_deg, sight, upright)


def residual_tilts_deg(site: Site, mount: Mount, longitude_deg: float) -> Tilts:
    """What is left to trim once the mount has turned the feed along the arc.

    A true mount leaves nothing of the vertical and up to 0.66 deg of the horizontal (computed).
    """
    sight = unit(site.to_satellite(longitude_deg))
    return _tilts(site, longitude_deg, sight, mount.axes[0])


def fold_tilt(angle_deg: float) -> float:
    """The same line's tilt from just over -90 up to 90 deg.

    >>> fold_tilt(135.0), fold_tilt(-90.0)
    (-45.0, 90.0)
    """
    return 90.0 - (90.0 - angle_deg) % 180.0


def power_taken(error_deg: float, leak: float = 0.0) -> float:
    """Share of a linear wave's power that a feed takes when turned away from it by an error.

    `leak` is the share that the feed takes of the crossed wave at its best angle; the two add as
    powers. An error of 90 deg more gives the share of the crossed wave.

    >>> round(10 * math.log10(power_taken(5.0) / power_taken(95.0)), 3)
    21.161
    """
    cos2 = math.cos(math.radians(error_deg)) ** 2
    return cos2 + leak * (1.0 - cos2)


def _tilts(site: Site, longitude_deg: float, sight: Vector, upright: Vector) -> Tilts:
    """Tilts seen along `sight` against the direction `upright`, all as east, north, up."""
    latitude = math.radians(site.latitude_deg)
    ahead = math.radians(longitude_deg - site.longitude_deg)
    axis: Vector = (0.0, math.cos(latitude), math.sin(latitude))
    outward: Vector = (0.0, -math.sin(latitude), math.cos(latitude))  # square to the axis, at noon
    along = add(scale(EAST, math.cos(ahead)), scale(outward, -math.sin(ahead)))
    right = unit(cross(sight, upright))
    top = cross(right, sight)
    vertical = math.degrees(math.atan2(dot(axis, right), dot(axis, top)))
    horizontal = math.degrees(math.atan2(-dot(along, top), dot(along, right)))
    return Tilts(fold_tilt(vertical), fold_tilt(horizontal))
