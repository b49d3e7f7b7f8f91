"""Three numbers as a direction: just enough vector arithmetic for one site and one satellite."""

from __future__ import annotations

import math

Vector = tuple[float, float, float]


def add(a: Vector, b: Vector) -> Vector:
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


def scale(a: Vector, factor: float) -> Vector:
    return (a[0] * factor, a[1] * factor, a[2] * factor)


def dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


def unit(a: Vector) -> Vector:
    """The same direction with length one; ZeroDivisionError for no direction at all."""
    return scale(a, 1.0 / math.hypot(*a))


def separation_deg(a: Vector, b: Vector) -> float:
    """Angle between two directions, as good near 0 and 180 deg as in between.

    >>> separation_deg((1.0, 0.0, 0.0), (0.0, 2.0, 0.0))
    90.0
    """
    return math.degrees(math.atan2(math.hypot(*cross(a, b)), dot(a, b)))


def turn(a: Vector, axis: Vector, angle_deg: float) -> Vector:
    """`a` turned about the unit vector `axis`, right-handed (Rodrigues)."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    along = scale(axis, dot(axis, a) * (1.0 - cos))
    return add(add(scale(a, cos), scale(cross(axis, a), sin)), along)
