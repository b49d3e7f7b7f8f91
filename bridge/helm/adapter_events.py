"""What an adapter tells by itself, as lines of the log."""

from __future__ import annotations

from bridge.bus.frame import LONGEST_READ, Frame
from bridge.bus.meaning import meaning_of
from bridge.link.dialogue import Booted, Damaged, Event, Heard, Keyed, Stopped, Tripped
from bridge.log.buffer import Logbook


class News:
    """Puts events into words; remembers a question until its reply is heard."""

    def __init__(self, log: Logbook) -> None:
        self._log = log
        self._asked: Frame | None = None

    def tell(self, event: Event) -> None:
        match event:
            case Heard(data=data):
                self._tell_frame(data, "")
            case Keyed(data=data):
                self._tell_frame(data, " (the adapter's own)")
            case Booted(boot=boot):
                self._log.say("error", f"The adapter restarted (boot {boot}); check the count")
            case Tripped():
                self._log.say("error", "The adapter heard nothing from here in time and halted")
            case Stopped():
                self._log.say("note", "The adapter has stopped the motor")
            case Damaged():
                self._log.say("note", "A damaged line came from the adapter")

    def _tell_frame(self, data: bytes, whose: str) -> None:
        shown = data.hex(" ").upper()
        if not 1 <= len(data) <= LONGEST_READ:
            self._log.say("heard", f"{len(data)} bytes: too long for a message", shown)
            return
        frame = Frame.parse(data)
        self._log.say("heard", meaning_of(frame, self._asked).sentence + whose, shown)
        self._asked = frame if frame.reply_wanted else None
