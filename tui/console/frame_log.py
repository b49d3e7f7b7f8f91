"""The log of frames: what was sent, heard, answered and refused, as bytes and as a sentence."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.geometry import Region
from textual.strip import Strip

from bridge.log.read_write import write_log
from bridge.log.record import Kind
from bridge.log.sentence import sentence
from tui.console.canvas import Run
from tui.console.row_widget import RowWidget

if TYPE_CHECKING:
    from bridge.log.record import Record

LINES = 5000  # for scrolling back; a busy bus brings about 25 a second (judgement)
_GLYPHS = {
    Kind.SENT: ("▸", "strong"),
    Kind.HEARD: ("◂", "satellite"),
    Kind.REPLY: ("◂", "best"),
    Kind.REST: ("■", "plain"),
    Kind.NOTE: ("·", "dim"),
    Kind.REFUSED: ("✕", "trouble"),
    Kind.ERROR: ("!", "trouble"),
}


def epoch_s() -> float:
    """The time since 1970 at which the monotonic clock stood at 0."""
    return time.time() - time.monotonic()


def wall_clock(t_s: float) -> str:
    """Time of day of a moment of the monotonic clock."""
    return time.strftime("%H:%M:%S", time.localtime(epoch_s() + t_s))


def log_row(record: Record, clock: str, width: int) -> list[Run]:
    """One line of the log; the clock goes first when room is short."""
    glyph, ink = _GLYPHS[record.kind]
    row: list[Run] = []
    if width >= 90:
        row.append((f"{clock} ", "subtle"))
    row.append((f"{glyph} {record.kind:<8}", ink))
    if record.hex:
        row.append((f"{record.hex:<12} ", "key"))
    grave = record.kind in (Kind.REFUSED, Kind.ERROR)
    row.append((sentence(record), "trouble" if grave else "plain"))
    return row


def log_text(lines: Iterable[tuple[str, Record]]) -> str:
    """The log as a text file, which `positions diff` reads."""
    return write_log((record for _, record in lines), epoch_s=epoch_s())


class FrameLog(RowWidget, can_focus=True):
    """Keeps the last lines and draws those that fit; scrolls back, and follows at the end."""

    HELP_TITLE: ClassVar[str] = "The log of frames"
    HELP: ClassVar[str] = (
        "Every frame that was sent, heard on the bus or answered, as bytes and as a sentence, "
        "and every refusal with its reason. 'Sent' says only that it left: on a one-way bus "
        "nothing confirms a movement. Up, down, page up and page down scroll back and pause the "
        "view; end follows again. o saves the whole log to a file."
    )

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.lines: deque[tuple[str, Record]] = deque(maxlen=LINES)
        self.last_seq = 0
        self.behind = 0  # lines between the last shown and the newest; 0 follows

    def add(self, lines: list[Record]) -> None:
        """Take new lines; a paused view stays where it is."""
        if not lines:
            return
        self.last_seq = lines[-1].seq
        self.lines.extend((wall_clock(line.t_s), line) for line in lines)
        if self.behind:
            self.behind = min(self.behind + len(lines), self._most_behind())
            self.refresh(Region(0, self.size.height - 1, max(1, self.size.width), 1))
        else:
            self.refresh()

    def _most_behind(self) -> int:
        return max(0, len(self.lines) - self.size.height)

    def scroll_back(self, rows: int) -> None:
        """Go back so many rows, or forward when negative."""
        behind = min(max(0, self.behind + rows), self._most_behind())
        if behind != self.behind:
            self.behind = behind
            self.refresh()

    def on_key(self, event: events.Key) -> None:
        """Scroll by keys."""
        page = max(1, self.size.height - 1)
        rows = {
            "up": 1,
            "down": -1,
            "pageup": page,
            "pagedown": -page,
            "home": len(self.lines),
            "end": -len(self.lines),
        }.get(event.key)
        if rows is not None:
            event.stop()
            self.scroll_back(rows)

    def on_mouse_scroll_up(self, event: events.MouseScrollUp) -> None:
        """Scroll back by mouse."""
        event.stop()
        self.scroll_back(3)

    def on_mouse_scroll_down(self, event: events.MouseScrollDown) -> None:
        """Scroll forward by mouse."""
        event.stop()
        self.scroll_back(-3)

    @property
    def text(self) -> str:
        """What is shown, as plain lines."""
        return "\n".join(self.render_line(y).text.rstrip() for y in range(self.size.height))

    def render_line(self, y: int) -> Strip:
        """Draw one line of the log."""
        width, height = self.size
        if self.behind and y == height - 1:
            words = f"-- paused, {self.behind} newer below; end follows again --"
            return self.draw([(words, "dim")], width)
        shown = min(height, len(self.lines))
        index = len(self.lines) - self.behind - shown + y
        if y >= shown or not 0 <= index < len(self.lines):
            return self.draw([], width)
        clock, record = self.lines[index]
        return self.draw(log_row(record, clock, width), width)
