"""The line of command words."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.widgets import Input


class CommandField(Input):
    """Command words of the standard; enter sends them through the guard."""

    HELP_TITLE: ClassVar[str] = "Command words"
    HELP: ClassVar[str] = (
        "Words follow the standard: halt, drive east 1 count, drive west 3 seconds, store 7, "
        "goto 7, limit east, limit west, limits on, limits off, goto angle 22.0E, status, "
        "raw E0 31 68 FF. Enter sends, up and down bring earlier words back, escape leaves. "
        "While the dish rests, SPACE types a space here; while it moves, SPACE halts it."
    )

    def __init__(self) -> None:
        super().__init__(
            id="command",
            compact=True,
            placeholder="press : for command words, such as  goto 7  or  drive west 3 seconds",
        )
        self._earlier: list[str] = []
        self._at = 0

    def remember(self, words: str) -> None:
        """Keep words for up and down."""
        if not self._earlier or self._earlier[-1] != words:
            self._earlier.append(words)
        self._at = len(self._earlier)

    def on_key(self, event: events.Key) -> None:
        """Bring earlier words back."""
        step = {"up": -1, "down": 1}.get(event.key)
        if step is not None:
            event.stop()
            self._at = min(max(0, self._at + step), len(self._earlier))
            self.value = self._earlier[self._at] if self._at < len(self._earlier) else ""
            self.cursor_position = len(self.value)
