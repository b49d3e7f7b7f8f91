"""Motion under w' = a - k w, exact: place, speed and time of an arc in closed form.

While drive, friction and load stay the same the speed of a DC motor obeys that equation, so place
and speed are closed forms of the time, and the time of any place is one root of a function that
bends one way only. Speeds are from w0 >= 0 and distances from 0, both along the motion.
"""

from __future__ import annotations

import math

_SERIES_BELOW = 0.05  # |k s|; below it (s - E1)/k loses digits (see tests/sim/rig/test_arc.py)


def coast_shape(ratio: float) -> float:
    """(r - ln(1 + r))/r^2, which is one half at r = 0."""
    if ratio < _SERIES_BELOW:
        return sum((-ratio) ** n / (n + 2) for n in range(12))
    return (1.0 - math.log1p(ratio) / ratio) / ratio


def ease(k: float, s: float) -> tuple[float, float]:
    """E1 and E2 of an arc after s seconds: place is w0 E1 + a E2, speed w0 + (a - k w0) E1."""
    u = k * s
    if -_SERIES_BELOW < u < _SERIES_BELOW:
        e2 = s * s * (0.5 - u * (1 / 6 - u * (1 / 24 - u * (1 / 120 - u * (1 / 720 - u * (
            1 / 5040 - u * (1 / 40320 - u / 362880)))))))  # fmt: skip
        return s - k * e2, e2
    e1 = -math.expm1(-u) / k
    return e1, (s - e1) / k


def time_to_rest(w0: float, a: float, k: float) -> float:
    """Seconds until the speed is zero; infinite where it never is."""
    if w0 <= 0.0:
        return 0.0
    if a >= 0.0:
        return math.inf
    ratio = k * w0 / -a
    return w0 / -a if ratio < 1e-15 else math.log1p(ratio) / k


def distance_to_rest(w0: float, a: float, k: float) -> float:
    """Counts until the speed is zero, or that it creeps up to; infinite where it runs on."""
    if w0 <= 0.0:
        return 0.0
    if a == 0.0 and k > 0.0:
        return w0 / k
    if a >= 0.0:
        return math.inf
    return w0 * w0 / -a * coast_shape(k * w0 / -a)


def time_to_speed(w0: float, a: float, k: float, w: float) -> float:
    """Seconds until the speed is `w`; infinite where it never gets there."""
    slope = a - k * w0
    part = k * (w - w0) / slope if slope else math.inf
    if part == 0.0:
        return (w - w0) / slope if slope * (w - w0) > 0.0 else math.inf
    if not part < 1.0 or slope * (w - w0) <= 0.0:
        return math.inf
    return -math.log1p(-part) / k


def time_to_distance(w0: float, a: float, k: float, distance: float) -> float:
    """Seconds until an arc has gone `distance`; infinite where it comes to rest before.

    >>> round(time_to_distance(0.0, 2.0, 0.0, 9.0), 12)
    3.0
    """
    if distance <= 0.0:
        return 0.0
    slope = a - k * w0
    if a == 0.0 and w0 > 0.0:  # slows for ever and never gets farther than w0/k
        part = k * distance / w0
        if part < 1e-15:
            return distance / w0
        return -math.log1p(-part) / k if part < 1.0 else math.inf
    if a < 0.0:
        rest = distance_to_rest(w0, a, k)
        if distance > rest:
            return math.inf
        if 2.0 * distance > rest:
            return time_to_rest(w0, a, k) - _time_back(-a, k, rest - distance)
    if slope >= 0.0:
        return _time_speeding(w0, a, k, distance)
    return _time_slowing(w0, a, k, distance)


def _time_back(a: float, k: float, left: float) -> float:
    """Seconds before the stop at which `left` counts were still to go: a (e^ks - 1 - ks)/k^2."""
    if left <= 0.0:
        return 0.0
    # an upper bound, e^v = 1 + d + v and v < sqrt(2d); the function is convex: Newton comes down
    s = math.sqrt(2.0 * left / a)
    if k > 0.0:
        s = math.log1p(left * k * k / a + k * s) / k
    for _ in range(40):
        e1, e2 = ease(-k, s)
        step = (a * e2 - left) / (a * e1)
        s -= step
        if abs(step) <= 1e-9 * s:
            break
    return s


def _time_speeding(w0: float, a: float, k: float, distance: float) -> float:
    """Convex in time: any start ends right of the root, then comes down to it."""
    slope = a - k * w0
    s = distance / w0 if w0 > 0.0 else math.inf
    if slope > 0.0:
        s = min(s, (math.sqrt(w0 * w0 + 2.0 * slope * distance) - w0) / slope * 1.5)
    if k > 0.0:  # on the asymptote of steady speed
        s = min(s, (distance + slope / (k * k)) * k / a)
    for _ in range(60):
        e1, e2 = ease(k, s)
        step = (w0 * e1 + a * e2 - distance) / (w0 + slope * e1)
        s -= step
        if abs(step) <= 1e-9 * s:
            break
    return s


def _time_slowing(w0: float, a: float, k: float, distance: float) -> float:
    """Concave in time: from the left Newton never passes the root."""
    slope = a - k * w0
    s = distance / w0
    for _ in range(60):
        e1, e2 = ease(k, s)
        step = (distance - w0 * e1 - a * e2) / (w0 + slope * e1)
        s += step
        if abs(step) <= 1e-9 * s:
            break
    return s
