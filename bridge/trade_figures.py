"""Figures that people in the trade carry with them: times, speeds, currents, sizes of lists.

All are common practice, without a published source, and none of them protects anybody. Dishes
differ, so most figures are ranges. What bounds a motion uses the end that lets every healthy dish
arrive. What judges a sender uses the end that blames no healthy dish.
"""

from __future__ import annotations

from typing import NamedTuple


class Range(NamedTuple):
    """The lower and the upper end of a figure, in the unit of its name."""

    low: float
    high: float


# Motion (common practice)
END_TO_END_S = Range(60.0, 240.0)  # s from end to end: a short quick actuator, a long slow one
SLOW_COUNTS_PER_S = Range(2.0, 5.0)  # counts/s: a laboured actuator, a slow healthy one
REVERSAL_WAIT_S = Range(0.5, 1.0)  # s from halt to the other way, or coasting counts change sign

# Motor and reed sensor (common practice)
STALL_A = Range(3.0, 5.0)  # A, a motor that is held
OPEN_CIRCUIT_A = 0.05  # A; less means an end switch, a broken wire or no supply
INRUSH_S = 0.3  # s, longer than the start of a motor draws the current of a stall (about 0.1 s)
NO_PULSES_S = 1.0  # s of power without a pulse; a slow actuator gives one each 0.15-0.3 s

# Receivers and controllers (common practice)
RECEIVER_REPEAT_S = Range(0.015, 0.060)  # s of quiet before a repeat; the standard asks about 0.1 s
MANY_POSITIONS = 99  # positions; a common size of a controller's list
