"""What counts, current and voltage together say about a motor that should be moving.

Thresholds are common practice: 0.5-1 A free, 1-2.5 A moving a dish, 3-5 A at a stall.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from bridge.bus.command import Side

Verdict = Literal["end", "stall", "no counts"]

PATIENCE_S = 1.0  # s without a pulse before a verdict; a slow actuator gives one each 0.15-0.3 s
DEAD_A = 0.05  # A, below it the circuit is open: an end switch, a broken wire or no supply
INRUSH_S = 0.3  # s, longer than the current of a motor that starts (about 0.1 s)
STALL_A = 3.0  # A, from here on the motor is held (common practice)


@dataclass(slots=True)
class MotionWatch:
    """Follows pulses while the motor is powered, and gives one verdict for each standstill."""

    last_pulses: int | None = None
    quiet_since_s: float | None = None
    told: bool = False
    _side: Side | None = field(default=None, repr=False)
    _powered: bool = field(default=False, repr=False)
    _last_a: float = field(default=0.0, repr=False)

    def see(
        self, t_s: float, moving: Side | None, pulses: int | None, motor_a: float | None
    ) -> Verdict | None:
        """The verdict, once, when power has brought no pulse for a while; else None.

        Power that was cut under high current, as by a current trip, is a stall however short.
        """
        quiet_s = t_s - (self.quiet_since_s if self.quiet_since_s is not None else t_s)
        same = self._powered and pulses == self.last_pulses
        if moving is None:
            self._powered = False
            stalled = same and self._last_a >= STALL_A and quiet_s >= INRUSH_S
            return "stall" if stalled and not self.told else None
        if pulses is None:
            return None
        if not same or moving != self._side:
            self.last_pulses, self.quiet_since_s, self._side = pulses, t_s, moving
            self.told, self._powered, self._last_a = False, True, 0.0
            return None
        if motor_a is not None:
            self._last_a = abs(motor_a)
        if self.told or quiet_s < PATIENCE_S or motor_a is None:
            return None
        self.told = True
        if abs(motor_a) < DEAD_A:
            return "end"
        return "stall" if abs(motor_a) >= STALL_A else "no counts"

    @property
    def side(self) -> Side | None:
        """The way of the last motion seen."""
        return self._side


def explain(verdict: Verdict, side: Side, count: int | None) -> str:
    """A sentence for the operator: what is seen and what it may be."""
    at = "" if count is None else f" at count {count}"
    back = "east" if side == "west" else "west"
    match verdict:
        case "end":
            return (
                f"Stopped{at} going {side}: voltage but no current and no counts, as at an end "
                f"switch (or a broken motor wire); drive {back} to tell"
            )
        case "stall":
            return (
                f"Stalled{at} going {side}: high current and no counts; halt, then look what "
                "holds the dish"
            )
        case "no counts":
            return (
                f"No counts{at} while the motor runs {side}: look at the sensor and its cable, "
                "or at a sheared coupling"
            )
