"""Whether the count on the port is still the count of the list."""

from __future__ import annotations

from bridge.bus.standard import PositionerFlag
from bridge.restore.journal import Journal

HOW_TO_PROVE = (
    "peak the dish on a satellite of the list and say --here with its number, or stop it at a "
    "place whose count you know, such as an end, and say --here-count"
)


def reference_lost(flags: int | None) -> bool:
    """Whether the positioner's status byte reports its position reference as lost."""
    return flags is not None and bool(flags & PositionerFlag.LOST)


def doubts(journal: Journal, *, boot: int, pulses: int, tally: int, flags: int | None) -> list[str]:
    """Why the count may not be what it was when the journal was saved; empty where it is.

    An adapter whose lease ran out in between went on counting, so that is no reason.
    """
    reasons = []
    counted, moved = pulses - journal.pulses, tally - journal.tally
    if boot != journal.boot:
        reasons.append("the adapter has restarted since, and with it its count")
    elif counted < 0 or abs(moved) > counted or (counted - moved) % 2:
        # Each pulse changes the tally by one, up or down: another change came from outside.
        reasons.append("the adapter's count was set to something else since")
    if reference_lost(flags):
        reasons.append("the positioner says that its position reference is lost")
    return reasons
