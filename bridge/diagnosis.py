"""What counts, current and voltage together say about a motor that should be moving.

    power on   counts   current          diagnosis
    yes        come     any              none: it moves
    yes        stop     under OPEN_A     end switch open, or a broken motor wire
    yes        stop     STALL_A or more  the motor is held: a stall
    yes        stop     between          it turns, but nothing is counted
    yes        stop     not measured     counts stopped, more cannot be told

Nothing here reads a clock: whoever watches passes the time in.
"""

from __future__ import annotations

from enum import Enum

from bridge.bus.command import Side

PATIENCE_S = 1.0  # s without a count; at 2 counts/s, a laboured actuator, one comes in 0.5 s
INRUSH_S = 0.3  # s, longer than the current of a motor that starts (about 0.1 s, judgement)
OPEN_A = 0.05  # A, less is an open circuit: a free motor takes 0.5-1 A (common practice)
STALL_A = 3.0  # A, from here on the motor is held: a stall takes 3-5 A (common practice)


class Standstill(Enum):
    """Why a powered motor brings no counts."""

    END_SWITCH = "end switch"
    STALL = "stall"
    NO_COUNTS = "no counts"
    UNMEASURED = "current not measured"


def diagnose(motor_a: float | None) -> Standstill:
    """The cause of a standstill under power, by the motor's current in A.

    >>> diagnose(0.0).value, diagnose(1.4).value, diagnose(-4.2).value, diagnose(None).value
    ('end switch', 'no counts', 'stall', 'current not measured')
    """
    if motor_a is None:
        return Standstill.UNMEASURED
    if abs(motor_a) < OPEN_A:
        return Standstill.END_SWITCH
    return Standstill.STALL if abs(motor_a) >= STALL_A else Standstill.NO_COUNTS


class MotionWatch:
    """Follows the counts of a motor from one look at it to the next.

    `standstill` is the diagnosis at the last look, None while counts come or power is off; `side`
    is the side of the last motion seen.
    """

    def __init__(self) -> None:
        self.side: Side | None = None
        self.standstill: Standstill | None = None
        self._powered = False
        self._pulses: int | None = None
        self._quiet_since_s = 0.0
        self._last_a = 0.0
        self._reported = False

    def see(
        self, t_s: float, moving: Side | None, pulses: int | None, motor_a: float | None
    ) -> Standstill | None:
        """Take in one look; returns the diagnosis of a standstill once, when it is first sure.

        `pulses` is any number that changes with each count. Power cut under a high current, as
        by a current trip, is a stall however short. UNMEASURED is never returned.
        """
        if moving is None:
            return self._see_power_off(t_s, pulses)
        if pulses is None:
            return None
        if not self._powered or pulses != self._pulses or moving != self.side:
            self._powered, self._pulses, self.side = True, pulses, moving
            self._quiet_since_s, self._last_a = t_s, 0.0
            self.standstill, self._reported = None, False
            return None
        if motor_a is not None:
            self._last_a = abs(motor_a)
        if t_s - self._quiet_since_s < PATIENCE_S:
            return None
        self.standstill = diagnose(motor_a)
        if self._reported or motor_a is None:
            return None
        self._reported = True
        return self.standstill

    def _see_power_off(self, t_s: float, pulses: int | None) -> Standstill | None:
        tripped = (
            self._powered
            and not self._reported
            and pulses == self._pulses
            and self._last_a >= STALL_A
            and t_s - self._quiet_since_s >= INRUSH_S
        )
        self._powered, self.standstill = False, None
        return Standstill.STALL if tripped else None


def explain(standstill: Standstill, side: Side, count: int | None) -> str:
    """A sentence for a person: what is seen, what it may be, and what to do.

    >>> explain(Standstill.STALL, "west", 812).partition("; ")[0]
    'Stalled at count 812 going west: high current and no counts'
    """
    at = "" if count is None else f" at count {count}"
    match standstill:
        case Standstill.END_SWITCH:
            back = "east" if side == "west" else "west"
            return (
                f"Stopped{at} going {side}: voltage but no current and no counts, as at an end "
                f"switch (or a broken motor wire); drive {back} to tell"
            )
        case Standstill.STALL:
            return (
                f"Stalled{at} going {side}: high current and no counts; halt, then look what "
                "holds the dish"
            )
        case Standstill.NO_COUNTS:
            return (
                f"No counts{at} while the motor runs {side}: look at the sensor and its cable, "
                "or at a sheared coupling"
            )
        case Standstill.UNMEASURED:
            return f"No counts{at} going {side}, and the motor's current is not measured"
