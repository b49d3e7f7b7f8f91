"""From counts to the hour angle and back: an actuator's triangle, or a worm and its wheel.

The triangle has its corner on the polar axis: one side runs to the actuator's pivot on the frame,
one to its pivot on the dish, and the actuator closes it. Counts start at the retracted end and
grow west.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Protocol

from bridge.errors import YardError

DEAD_CENTRE_DEG = 1.0  # deg from folded or straight where no push turns the dish (judgement)
ROUNDING = 1e-12  # 1, how far rounding carries a cosine past 1 at most (exact to 4 ulp)


class Linkage(Protocol):
    """What turns counts into an hour angle of the mount (west positive) and back."""

    def count(self, hour_angle_deg: float) -> float:
        """Count at an hour angle."""

    def hour_angle_deg(self, count: float) -> float:
        """Hour angle in deg at a count."""

    def counts_per_deg(self, hour_angle_deg: float) -> float:
        """Counts that one degree of the arc takes at an hour angle."""


@dataclass(frozen=True, slots=True)
class LinearLinkage:
    """An actuator across the polar axis; YardError where the triangle cannot work.

    >>> linkage = LinearLinkage(520, 430, 350, 560, 48 / 25.4, 90)
    >>> round(linkage.count(0.0)), round(linkage.hour_angle_deg(0.0), 1)
    (614, -48.1)
    """

    frame_pivot_mm: float
    dish_pivot_mm: float
    retracted_mm: float
    stroke_mm: float
    counts_per_mm: float
    noon_angle_deg: float  # included angle at the axis at hour angle 0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not 0.0 < value < math.inf:
                raise YardError(f"{field.name} {value:g} is not a number over 0; measure it again")
        if self.noon_angle_deg >= 180.0:
            raise YardError(
                f"noon_angle_deg {self.noon_angle_deg:g} is not under 180 deg; it is the angle at"
                " the axis between the two pivots with the dish at hour angle 0"
            )
        self._require_end("retracted_mm", self.retracted_mm)
        self._require_end("stroke_mm", self.extended_mm)

    def _require_end(self, key: str, length_mm: float) -> None:
        shortest, longest = _shortest_longest(self.frame_pivot_mm, self.dish_pivot_mm)
        end = "retracted" if key == "retracted_mm" else "extended"
        sides = f"pivots {self.frame_pivot_mm:g} and {self.dish_pivot_mm:g} mm from the axis"
        if not shortest <= length_mm <= longest:
            raise YardError(
                f"{key}: the triangle does not close {end}: the actuator is {length_mm:g} mm long,"
                f" {sides} allow {shortest:g} to {longest:g} mm; measure the pivots again or"
                " choose another stroke"
            )
        angle = included_angle_deg(self.frame_pivot_mm, self.dish_pivot_mm, length_mm)
        if not DEAD_CENTRE_DEG <= angle <= 180.0 - DEAD_CENTRE_DEG:
            raise YardError(
                f"{key}: dead centre {end}: at {length_mm:g} mm with {sides} the angle at the axis"
                f" is {angle:.2f} deg, allowed is {DEAD_CENTRE_DEG:g} to {180 - DEAD_CENTRE_DEG:g}"
                " deg, else no push turns the dish; move a pivot or choose another stroke"
            )

    @property
    def extended_mm(self) -> float:
        """Length in mm at the end of the stroke."""
        return self.retracted_mm + self.stroke_mm

    @property
    def stroke_counts(self) -> float:
        """The stroke in counts."""
        return self.stroke_mm * self.counts_per_mm

    def length_mm(self, hour_angle_deg: float) -> float:
        """Actuator length at an hour angle; YardError past a dead centre, where it turns back."""
        angle = self.noon_angle_deg + hour_angle_deg
        if not 0.0 <= angle <= 180.0:
            raise YardError(
                f"hour angle {hour_angle_deg:g} deg is past a dead centre of the linkage, allowed"
                f" is {-self.noon_angle_deg:g} to {180.0 - self.noon_angle_deg:g} deg;"
                " the actuator cannot take the dish there"
            )
        return closing_side_mm(self.frame_pivot_mm, self.dish_pivot_mm, angle)

    def count(self, hour_angle_deg: float) -> float:
        """Count at an hour angle, also past the ends of the stroke up to the dead centres."""
        return (self.length_mm(hour_angle_deg) - self.retracted_mm) * self.counts_per_mm

    def hour_angle_deg(self, count: float) -> float:
        """Hour angle at a count; YardError where the triangle does not close."""
        length_mm = self.retracted_mm + count / self.counts_per_mm
        try:
            angle = included_angle_deg(self.frame_pivot_mm, self.dish_pivot_mm, length_mm)
        except YardError:
            shortest, longest = _shortest_longest(self.frame_pivot_mm, self.dish_pivot_mm)
            low, high = (
                (end - self.retracted_mm) * self.counts_per_mm for end in (shortest, longest)
            )
            raise YardError(
                f"count {count:g} is beyond the linkage, whose triangle closes from {low:.0f} to"
                f" {high:.0f} counts; the stroke is 0 to {self.stroke_counts:.0f}"
            ) from None
        return angle - self.noon_angle_deg

    def counts_per_deg(self, hour_angle_deg: float) -> float:
        """How many counts one degree of the arc takes at an hour angle."""
        return math.radians(self.lever_arm_mm(hour_angle_deg)) * self.counts_per_mm

    def lever_arm_mm(self, hour_angle_deg: float) -> float:
        """Distance from the axis to the actuator's line of push; 0 at a dead centre."""
        length_mm = self.length_mm(hour_angle_deg)
        if length_mm == 0.0:  # equal sides folded on each other
            return 0.0
        angle = math.radians(self.noon_angle_deg + hour_angle_deg)
        return self.frame_pivot_mm * self.dish_pivot_mm * math.sin(angle) / length_mm


@dataclass(frozen=True, slots=True, init=False)
class WormLinkage:
    """A worm and wheel on the axis: the same counts for every degree; YardError for none.

    >>> WormLinkage(counts_per_deg=20, noon_count=1200).count(-10.0)
    1000.0
    """

    scale_counts_per_deg: float
    noon_count: float

    def __init__(self, counts_per_deg: float, noon_count: float) -> None:
        if not 0.0 < counts_per_deg < math.inf:
            raise YardError(f"counts_per_deg {counts_per_deg:g} is not a number over 0; measure it")
        if not math.isfinite(noon_count):
            raise YardError(f"noon_count {noon_count:g} is not a number; it is the count at noon")
        object.__setattr__(self, "scale_counts_per_deg", counts_per_deg)
        object.__setattr__(self, "noon_count", noon_count)

    def count(self, hour_angle_deg: float) -> float:
        """Count at an hour angle."""
        return self.noon_count + self.scale_counts_per_deg * hour_angle_deg

    def hour_angle_deg(self, count: float) -> float:
        """Hour angle in deg at a count."""
        return (count - self.noon_count) / self.scale_counts_per_deg

    def counts_per_deg(self, hour_angle_deg: float) -> float:
        """The same everywhere."""
        return self.scale_counts_per_deg


def included_angle_deg(p_mm: float, q_mm: float, closing_mm: float) -> float:
    """Angle between sides p and q of a triangle; YardError where it does not close.

    Law of cosines, its cosine clamped: rounding must not turn a straight line into a mistake.

    >>> round(included_angle_deg(500, 400, 300), 6)
    36.869898
    """
    cosine = (p_mm * p_mm + q_mm * q_mm - closing_mm * closing_mm) / (2.0 * p_mm * q_mm)
    if closing_mm < 0.0 or not abs(cosine) <= 1.0 + ROUNDING:
        shortest, longest = _shortest_longest(p_mm, q_mm)
        raise YardError(
            f"a triangle with sides {p_mm:g} and {q_mm:g} mm does not close over {closing_mm:g} mm,"
            f" allowed is {shortest:g} to {longest:g} mm"
        )
    return math.degrees(math.acos(min(1.0, max(-1.0, cosine))))


def closing_side_mm(p_mm: float, q_mm: float, angle_deg: float) -> float:
    """Third side of a triangle with sides p and q at an included angle (law of cosines)."""
    # This form keeps its digits near a folded triangle.
    half = math.sin(math.radians(angle_deg) / 2.0)
    return math.hypot(p_mm - q_mm, 2.0 * math.sqrt(p_mm * q_mm) * half)


def _shortest_longest(p_mm: float, q_mm: float) -> tuple[float, float]:
    return abs(p_mm - q_mm), p_mm + q_mm
