"""Facts of a log that was saved before the file had columns for them.

Such a file ends its lines with `meaning` or `count`, and holds a recount, an end switch and a
restart as sentences alone. This is the only place that takes a fact from a sentence, it does so
for these files alone, and the sentences are those that were written then.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.bus.command import Side
from bridge.log.record import LogEvent

FIRST_COLUMNS = ("time", "kind", "bytes", "meaning")
OLD_HEADS = ("\t".join(FIRST_COLUMNS), "\t".join((*FIRST_COLUMNS, "count")))

_RECOUNT = re.compile(r"Call this place count (-?\d+)(?:; it read (-?\d+))?")
_END = re.compile(r"Stopped at count (-?\d+) going (east|west): voltage but no current.*")
_RESTART = re.compile(r"The adapter restarted.*")


@dataclass(frozen=True, slots=True)
class OldFacts:
    """What a sentence of an old file holds; `count` None: what the line's own cell says."""

    event: LogEvent
    side: Side | None = None
    count: int | None = None
    old_count: int | None = None
    new_count: int | None = None


def old_facts(kind: str, meaning: str) -> OldFacts | None:
    """The facts of one line, None where it holds none.

    >>> old_facts("note", "Call this place count 45; it read 60").new_count
    45
    """
    if kind == "error" and _RESTART.fullmatch(meaning):
        return OldFacts(LogEvent.RESTART)
    if kind != "note":
        return None
    if found := _RECOUNT.fullmatch(meaning):
        before = None if found[2] is None else int(found[2])
        return OldFacts(LogEvent.RECOUNT, old_count=before, new_count=int(found[1]))
    if found := _END.fullmatch(meaning):
        side: Side = "east" if found[2] == "east" else "west"
        return OldFacts(LogEvent.END_SWITCH, side, int(found[1]))
    return None
