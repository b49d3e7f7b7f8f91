"""Help: what the focused part of the screen shows, and every key."""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from tui.console.guide import sides_of_view
from tui.console.keys import GROUPS, KEYS
from tui.console.status_lines import StatusLine


def key_text() -> str:
    """All keys, grouped, a line each."""
    lines: list[str] = []
    for group in GROUPS:
        lines.append(group.upper())
        lines += [f"  {key.shown:<6} {key.words}" for key in KEYS if key.group == group]
        lines.append("")
    return "\n".join(lines).rstrip()


class Help(ModalScreen[None]):
    """A card to read; any of the usual keys closes it."""

    def __init__(self, title: str, words: str, hemisphere: str) -> None:
        super().__init__()
        self._title, self._words, self._hemisphere = title, words, hemisphere

    def compose(self) -> ComposeResult:
        """Lay the card out."""
        yield StatusLine()
        with VerticalScroll(id="card"):
            yield Static(self._title, id="title", markup=False)
            yield Static(self._words, classes="words", markup=False)
            standing = (
                f"Behind the dish, facing the equator: {sides_of_view(self._hemisphere)}. "
                "Counts grow westwards."
            )
            yield Static(standing, classes="words", markup=False)
            yield Static(key_text(), classes="words", markup=False)
            yield Static("Up and down scroll; escape or F1 closes.", classes="hint", markup=False)

    def on_mount(self) -> None:
        """Let the card scroll by keys."""
        self.query_one("#card").focus()

    def on_key(self, event: events.Key) -> None:
        """Close."""
        if event.key in ("escape", "f1", "enter", "q", "question_mark"):
            event.stop()
            self.dismiss(None)
