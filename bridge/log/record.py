"""One line of the log as values: what it is about, when, which frame, which count.

Whoever writes a record states facts; `bridge.log.sentence` makes the sentence that a person
reads, and `bridge.log.read_write` keeps the facts as columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from bridge.bus.command import Side


class Kind(StrEnum):
    """Where a line comes from; the words are those of the file's `kind` column."""

    SENT = "sent"
    HEARD = "heard"
    REPLY = "reply"
    REST = "rest"
    NOTE = "note"
    REFUSED = "refused"
    ERROR = "error"


class LogEvent(StrEnum):
    """What happened, as a closed list; the words are those of the file's `event` column."""

    # how a move ended
    REACHED = "reached"  # at rest where the position was stored
    OFF = "off"  # at rest elsewhere
    HALTED = "halted"  # at rest after a halt on the way
    UNPROVED = "unproved"  # at rest, and nothing to compare its count with
    # what stopped it
    HALT = "halt"
    HALT_FAILED = "halt failed"
    END_SWITCH = "end switch"
    STALL = "stall"
    NO_COUNTS = "no counts"
    LEASE = "lease"  # the adapter heard nothing from the host in time
    ADAPTER_STOP = "adapter stop"
    # the adapter and what is known of the dish
    CONNECTED = "connected"
    LINK_LOST = "link lost"
    RESTART = "restart"
    DAMAGED = "damaged packet"
    NO_REPLY = "no reply"
    RECOUNT = "recount"  # the place at which the dish stands was given another count
    SUPPLY = "supply"
    TONE = "tone"
    ACKNOWLEDGED = "acknowledged"


@dataclass(frozen=True, slots=True)
class Record:
    """One line of the log; fields that do not apply stay empty.

    `asked` is the command that a reply in `frame` answers. `position` is a number in the list (0:
    the reference) and `expected` the count at which it was stored. `old_count` and `new_count`
    belong to a recount. `detail` is text that nothing but the sentence uses: a reason, a cause,
    a name. `seq`, `t_s` (the host's monotonic clock) and `count` (the last one seen) are filled in
    by the buffer.
    """

    kind: Kind
    event: LogEvent | None = None
    frame: bytes = b""
    asked: bytes = b""
    side: Side | None = None
    position: int | None = None
    expected: int | None = None
    old_count: int | None = None
    new_count: int | None = None
    detail: str = ""
    seq: int = 0
    t_s: float = 0.0
    count: int | None = None

    @property
    def hex(self) -> str:
        """The frame's bytes as text.

        >>> Record(Kind.SENT, frame=bytes((0xE0, 0x31, 0x60))).hex
        'E0 31 60'
        """
        return self.frame.hex(" ").upper()
