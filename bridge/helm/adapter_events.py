"""What an adapter reports by itself, as records of the log."""

from __future__ import annotations

from bridge.bus.frame import LONGEST_READ, Frame
from bridge.link.dialogue import Booted, Damaged, Event, Heard, Keyed, Stopped, Tripped
from bridge.log.record import Kind, LogEvent, Record


class AdapterEvents:
    """Turns events into records; remembers a question until its reply is heard."""

    def __init__(self) -> None:
        self._asked = b""

    def record_of(self, event: Event) -> Record:
        """The record of one event, in the order in which they came."""
        match event:
            case Heard(data=data):
                return self._heard(data, "")
            case Keyed(data=data):
                return self._heard(data, "the adapter's own")
            case Booted(boot=boot):
                return Record(Kind.ERROR, LogEvent.RESTART, detail=str(boot))
            case Tripped():
                return Record(Kind.ERROR, LogEvent.LEASE)
            case Stopped():
                return Record(Kind.NOTE, LogEvent.ADAPTER_STOP)
            case Damaged():
                return Record(Kind.NOTE, LogEvent.DAMAGED)

    def _heard(self, data: bytes, detail: str) -> Record:
        asked = self._asked
        if 1 <= len(data) <= LONGEST_READ:
            self._asked = data if Frame.parse(data).reply_wanted else b""
        return Record(Kind.HEARD, frame=data, asked=asked, detail=detail)
