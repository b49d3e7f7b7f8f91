"""The supply while the dish moves: stepped down by the sender, or sagging under load."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.audit.finding import PRACTICE, Finding
from bridge.audit.motion import Motions
from bridge.bus import standard as std
from bridge.bus.event import Event, FrameHeard, Supply

SAG_V = 1.0  # V, a fall of the supply that load alone should not bring (common practice)


class SupplyInMotion:
    """Follows the supply of one capture beside the motions that were ordered in it."""

    def __init__(self, motions: Motions) -> None:
        self._motions = motions
        self._volts: float | None = None

    def see(self, event: Event) -> Iterator[Finding]:
        """The finding about the level at an event; a sag above 15 V shows in messages alone."""
        match event:
            case Supply(t_s, volts):
                yield from self._see_level(t_s, volts)
            case FrameHeard(t_s=t_s, supply_v=volts) if t_s is not None and volts is not None:
                yield from self._see_level(t_s, volts)

    def _see_level(self, t_s: float, volts: float) -> Iterator[Finding]:
        before, self._volts = self._volts, volts
        if before is not None and self._motions.lasting(t_s):
            yield from _fall(t_s, before, volts)


def _fall(t_s: float, before: float, volts: float) -> Iterator[Finding]:
    measured = f"{before:.1f} V to {volts:.1f} V"
    if abs(before - std.SUPPLY_HIGH_V) < SAG_V and abs(volts - std.SUPPLY_LOW_V) < SAG_V:
        yield Finding(
            t_s,
            "supply_stepped",
            "warning",
            "the supply was stepped down in mid-move",
            "a motor fed over the cable slows by about a third",
            PRACTICE,
            measured,
            "one level until the dish is at rest",
        )
    elif before - volts >= SAG_V:
        yield Finding(
            t_s,
            "supply_sags",
            "warning",
            "the supply falls while the dish moves",
            "cable drop: slow motion, restarts, messages lost while moving",
            PRACTICE,
            measured,
            f"less than {SAG_V:g} V of fall",
        )
