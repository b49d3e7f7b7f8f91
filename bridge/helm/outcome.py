"""Where the dish came to rest after it was sent somewhere, and what places were called anew.

The words stand in the log and are read back from a saved one, so both live here.
"""

from __future__ import annotations

import re

from bridge.bus.command import Command, Drive, Goto, GotoAngle, Side

_RECOUNT = re.compile(r"Call this place count (-?\d+)(?:; it read (-?\d+))?")
_END = re.compile(r"Stopped at count (-?\d+) going (east|west): voltage but no current")


class Arrival:
    """Follows one motion that has a place to end at."""

    def __init__(self) -> None:
        self._bound_for = ""
        self._moved = False

    def order(self, command: Command | None) -> None:
        """A command was sent; another motion replaces the one before."""
        if isinstance(command, Goto):
            self._bound_for = f"position {command.number}" if command.number else "the reference"
        elif isinstance(command, GotoAngle):
            self._bound_for = f"{command.angle_deg:.4g} deg {command.side}"
        elif isinstance(command, Drive):
            self._bound_for = ""
        else:
            return
        self._moved = False

    def see(self, moving: Side | None, state: str, count: int | None) -> str:
        """What to log once it has moved and rests; empty until then."""
        if not self._bound_for:
            return ""
        if moving:
            self._moved = True
        elif self._moved and state == "at rest":
            at = "" if count is None else f" at count {count}"
            says = f"At rest{at}, sent to {self._bound_for}"
            self._bound_for = ""
            return says
        return ""


def recount_words(count: int, before: int | None) -> str:
    """How the log says that a place is called by another count.

    >>> recount_of(recount_words(45, 60))
    (45, 60)
    """
    read = "" if before is None else f"; it read {before}"
    return f"Call this place count {count}{read}"


def recount_of(meaning: str) -> tuple[int, int | None] | None:
    """The new count and the one before, of a line that calls a place by another count."""
    found = _RECOUNT.fullmatch(meaning)
    return None if found is None else (int(found[1]), int(found[2]) if found[2] else None)


def end_of(meaning: str) -> tuple[Side, int] | None:
    """Side and count of an end, of a line that tells of a stop at an end switch."""
    found = _END.match(meaning)
    if found is None:
        return None
    return ("east" if found[2] == "east" else "west"), int(found[1])
