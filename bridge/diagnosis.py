"""What counts, current and voltage together say about a motor that should be moving.

    power on   counts   current          diagnosis
    yes        come     any              none: it moves
    yes        stop     none             end switch open, or a broken motor wire
    yes        stop     of a stall       the motor is held
    yes        stop     between          it turns, but nothing is counted
    yes        stop     not measured     counts stopped, the cause is unknown

Nothing here reads a clock: whoever watches passes the time in.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from bridge import trade_figures as trade
from bridge.bus.command import Side


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
    if abs(motor_a) < trade.OPEN_CIRCUIT_A:
        return Standstill.END_SWITCH
    return Standstill.STALL if abs(motor_a) >= trade.STALL_A.low else Standstill.NO_COUNTS


@dataclass(slots=True)
class _Still:
    """A motor with power since its last count; `last_a` is the last current measured, in A."""

    side: Side
    pulses: int
    since_s: float
    last_a: float | None = None
    reported: bool = False


class MotionWatch:
    """Follows the counts of a motor from one look at it to the next.

    `standstill` is the diagnosis at the last look, None while counts come or power is off; `side`
    is the side of the last motion seen.
    """

    def __init__(self) -> None:
        self.side: Side | None = None
        self.standstill: Standstill | None = None
        self._still: _Still | None = None  # None: no power

    def see(
        self, t_s: float, moving: Side | None, pulses: int | None, motor_a: float | None
    ) -> Standstill | None:
        """Take in one look; returns the diagnosis of a standstill once, when it is first sure.

        `pulses` is any number that changes with each count. Power cut under a high current, as
        by a current trip, is a stall however short. UNMEASURED is never returned.
        """
        still = self._still
        if moving is None:
            self._still = self.standstill = None
            return Standstill.STALL if still and _tripped(still, t_s, pulses) else None
        if pulses is None:
            return None
        if still is None or pulses != still.pulses or moving != still.side:
            self._still, self.side = _Still(moving, pulses, t_s), moving
            self.standstill = None
            return None
        if motor_a is not None:
            still.last_a = abs(motor_a)
        if t_s - still.since_s < trade.NO_PULSES_S:
            return None
        self.standstill = diagnose(motor_a)
        if still.reported or motor_a is None:
            return None
        still.reported = True
        return self.standstill


def _tripped(still: _Still, t_s: float, pulses: int | None) -> bool:
    """Whether power went off under the current of a stall that was not reported yet."""
    return (
        not still.reported
        and pulses == still.pulses
        and still.last_a is not None
        and still.last_a >= trade.STALL_A.low
        and t_s - still.since_s >= trade.INRUSH_S
    )


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
