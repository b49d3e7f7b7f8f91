"""Two masters on one bus, distinguished by the carrier and the level of their tone."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.audit.finding import STANDARD, Finding
from bridge.bus.event import FrameHeard

LEVEL_RATIO = 1.25  # levels further apart come from two senders (common practice)
CARRIER_RATIO = 1.01  # so do carriers; an oscillator holds to a few parts in 1000 (common practice)


class Senders:
    """Holds every command against the first one of a capture, and reports once."""

    def __init__(self) -> None:
        self._first: FrameHeard | None = None
        self._reported = False

    def see(self, command: FrameHeard) -> Iterator[Finding]:
        """The finding, once, at the first command that another master has sent."""
        if self._first is None:
            self._first = command
        if self._reported:
            return
        first = self._first
        carriers = (first.carrier_hz, command.carrier_hz)
        levels = (first.level_vpp, command.level_vpp)
        if _differ(carriers, CARRIER_RATIO):
            what, measured = "carrier", "{:.0f} and {:.0f} Hz".format(*carriers)
        elif _differ(levels, LEVEL_RATIO):
            what, measured = "level", "{:.2f} and {:.2f} V pp".format(*levels)
        else:
            return
        self._reported = True
        yield Finding(
            command.t_s,
            "two_senders",
            "warning",
            f"commands with different {what}: two masters on one bus",
            "their messages collide, and each undoes what the other ordered",
            STANDARD,
            measured,
            "one master",
        )


def _differ(values: tuple[float | None, float | None], ratio: float) -> bool:
    first, now = values
    if first is None or now is None:
        return False
    return max(first, now) > ratio * min(first, now)
