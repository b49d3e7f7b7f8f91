"""What stops the actuator: electrical end switches, its own stops, and whatever the rim meets.

An end switch opens the motor's circuit one way only: the diode across it lets the motor drive
back. Places are in counts, growing west. None of this is a safety device.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Ends:
    """Where they sit; `fence` is where the dish itself meets something in the west, or None."""

    east_switch: float
    west_switch: float
    east_stop: float
    west_stop: float
    fence: float | None = None
    hysteresis: float = 1.0  # counts back until a switch closes again (judgement)


@dataclass(slots=True)
class EndState:
    """Which switches are open now."""

    ends: Ends
    east_open: bool
    west_open: bool

    @classmethod
    def at(cls, ends: Ends, x: float) -> EndState:
        """The switches of an actuator that has always stood at a place."""
        return cls(ends, east_open=x <= ends.east_switch, west_open=x >= ends.west_switch)

    def blocks(self, polarity: int) -> bool:
        """True where the circuit is open for a drive that way."""
        return (polarity > 0 and self.west_open) or (polarity < 0 and self.east_open)

    def next_switch(self, x: float, direction: int) -> tuple[float, str]:
        """The next place where a switch changes, moving `direction`, and which one."""
        ends = self.ends
        if direction > 0:
            choices = []
            if not self.west_open:
                choices.append((ends.west_switch, "west"))
            if self.east_open:
                choices.append((ends.east_switch + ends.hysteresis, "east"))
            return min(choices, default=(math.inf, ""))
        choices = []
        if not self.east_open:
            choices.append((ends.east_switch, "east"))
        if self.west_open:
            choices.append((ends.west_switch - ends.hysteresis, "west"))
        return max(choices, default=(-math.inf, ""))

    def toggle(self, which: str) -> None:
        """Open or close a switch, 'west' or 'east'."""
        if which == "west":
            self.west_open = not self.west_open
        else:
            self.east_open = not self.east_open

    def stop_at(self, direction: int, slip: float) -> float:
        """The hard stop that way for the actuator, the fence met through a clamp `slip` ahead."""
        ends = self.ends
        if direction < 0:
            return ends.east_stop
        if ends.fence is None:
            return ends.west_stop
        return min(ends.west_stop, ends.fence - slip)
