"""Three numbers as a direction: just enough vector arithmetic for one site and one satellite."""

from __future__ import annotations

import math

Vector = tuple[float, float, float]


def add(a: Vector, b: Vector) -> Vector:
    """Sum of two vectors."""
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


def scale(a: Vector, factor: float) -> Vector:
    """A vector times a number."""
    return (a[0] * factor, a[1] * factor, a[2] * factor)


def dot(a: Vector, b: Vector) -> float:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    """Vector product, right-handed.

    >>> cross((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    (0.0, 0.0, 1.0)
    """
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


def unit(a: Vector) -> Vector:
    """The same direction with length one; ZeroDivisionError for the zero vector."""
    return scale(a, 1.0 / math.hypot(*a))


def rotate(a: Vector, axis: Vector, angle_deg: float) -> Vector:
    """`a` turned about the unit vector `axis`, right-handed (Rodrigues).

    >>> [round(x, 3) for x in rotate((1.0, 0.0, 0.0), (0.0, 0.0, 1.0), 90.0)]
    [0.0, 1.0, 0.0]
    """
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    along = scale(axis, dot(axis, a) * (1.0 - cos))
    return add(add(scale(a, cos), scale(cross(axis, a), sin)), along)
