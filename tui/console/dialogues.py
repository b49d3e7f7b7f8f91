"""Dialogues: cautions, a yes or no, limits, a drive, a number. Each answers with a value or None.

The background is opaque and the status line stays on top, so that motion is never hidden. The
focus starts on the answer that does nothing.
"""

from __future__ import annotations

import re
import textwrap
import time
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, ClassVar, cast

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from tui.cautions import CAUTIONS, REAL, REHEARSAL
from tui.console.distance import left_side, other, toward
from tui.console.status_lines import StatusLine

if TYPE_CHECKING:
    from bridge.bus.command import Side
    from bridge.helm.snapshot import Snapshot
    from tui.console.host import Host

IN_A_ROW = 3  # buttons; more of them make a menu
Choice = tuple[str, str, str]
"""A key, the value it answers with, and the words on the button."""
MOST_COUNTS, MOST_SECONDS = 128, 127  # one drive command's reach (facts of the standard)


class Ask(ModalScreen[str | None]):
    """A title, words, perhaps a field, and buttons with a key each; escape is None."""

    REPLACES: ClassVar[bool] = True  # what is typed replaces what the field starts with

    def __init__(
        self,
        title: str,
        words: Sequence[str],
        choices: Sequence[Choice],
        *,
        field: str | None = None,
        start: str = "",
        hint: str = "",
        focus: int = 0,
    ) -> None:
        super().__init__()
        self._title, self._words, self._choices = title, words, choices
        self._field, self._start, self._hint, self._focus = field, start, hint, focus
        self._opened_s = time.monotonic()
        self.answered_s = 0.0  # when the answering key was pressed, monotonic clock
        self.typed = ""

    def compose(self) -> ComposeResult:
        """Lay the card out."""
        yield StatusLine()
        with Vertical(id="card"):
            yield Static(self._title, id="title", markup=False)
            for words in self._words:
                yield Static(words, classes="words", markup=False)
            if self._field is not None:
                yield Input(
                    self._start,
                    placeholder=self._field,
                    id="field",
                    compact=True,
                    select_on_focus=self.REPLACES,
                )
            if self._hint:
                yield Static(self._hint, classes="hint", markup=False)
            menu = len(self._choices) > IN_A_ROW
            with Vertical(id="menu") if menu else Horizontal(id="buttons"):
                for key, value, label in self._choices:
                    words = f"{key}  {label}" if menu else f"{label} ({key})"
                    yield Button(words, id=f"choice-{value}", compact=True)

    def on_mount(self) -> None:
        """Focus the field, or the answer that does nothing."""
        if self._field is not None:
            self.query_one(Input).focus()
        else:
            list(self.query(Button))[self._focus].focus()

    def on_key(self, event: events.Key) -> None:
        """Answer by a key, or move between the buttons."""
        focused = self.focused
        if event.key == "escape":
            event.stop()
            self.answer(None, event.time)
        elif event.key == "enter" and isinstance(focused, Button) and focused.id:
            event.stop()
            self.answer(focused.id.removeprefix("choice-"), event.time)
        elif event.key in ("left", "up"):
            event.stop()
            self.focus_previous()
        elif event.key in ("right", "down"):
            event.stop()
            self.focus_next()
        else:
            for key, value, _ in self._choices:
                if event.key == key:
                    event.stop()
                    self.answer(value, event.time)

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Answer by mouse."""
        event.stop()
        self.answer((event.button.id or "").removeprefix("choice-"), event.time)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in the field goes on to the first answer that does something."""
        event.stop()
        self.submit(event.value, event.time)

    def submit(self, text: str, pressed_s: float) -> None:
        """Take what was typed; overridden where it can be wrong."""
        self.typed = text
        self.answer(text, pressed_s)

    def answer(self, value: str | None, pressed_s: float) -> None:
        """Close with a value, or with none where a halt came while the question stood.

        What was typed around a SPACE that halted may be cut: "120 s" must not drive 120 counts.
        """
        self.answered_s = pressed_s
        host = cast("Host", self.app)
        if value is not None and host.halted_s > self._opened_s:
            host.notice("A halt came while that was asked; nothing was sent. Ask again.")
            value = None
        self.dismiss(value)

    def complain(self, words: str) -> None:
        """Say below the field what is wrong with it."""
        for hint in self.query(".hint").results(Static):
            hint.update(words)


def ask_cautions(live: bool) -> Ask:
    """The cautions; on a real port the focus starts on 'not yet'."""
    choices: list[Choice] = [
        ("n", "no", "Not yet, only look"),
        ("y", "yes", "I have read them"),
    ]
    lead = REAL if live else REHEARSAL
    words = [lead, "\n".join(map(_bullet, CAUTIONS))]
    return Ask("Cautions", words, choices, focus=0 if live else 1)


def _bullet(words: str) -> str:
    return textwrap.fill(words, 70, initial_indent="• ", subsequent_indent="  ")


def ask_yes(title: str, words: str, yes: str, *, key: str = "y") -> Ask:
    """A question whose default is no."""
    return Ask(title, [words], [("n", "no", "No"), (key, "yes", yes)])


def ask_limits(snapshot: Snapshot) -> Ask:
    """What to do about the soft limits."""
    at = "this place" if snapshot.count is None else f"count {snapshot.count}"

    def said(count: int | None) -> str:
        return "not known" if count is None else str(count)

    state = {True: "on", False: "off", None: "not known"}[snapshot.limits_on]
    words = [
        f"East limit {said(snapshot.limit_east)}, west limit {said(snapshot.limit_west)}; "
        f"limits are {state}.",
        f"The dish is at {at}. A soft limit belongs 5-10 counts inside the end, set one count at "
        "a time. It is kept in the positioner and is no safety device.",
    ]
    choices: list[Choice] = [
        ("x", "none", "close, change nothing"),
        ("e", "east", f"set the EAST limit here, at {at}"),
        ("w", "west", f"set the WEST limit here, at {at}"),
        ("n", "on", "turn the limits on"),
        ("f", "off", "turn the limits off, as to find the ends"),
    ]
    return Ask("Soft limits", words, choices)


_NUMBER = re.compile(r"\s*(\d{1,6})\s*")
_DISTANCE = re.compile(r"\s*(\d{1,3})\s*(s|seconds?|c|counts?)?\s*", re.IGNORECASE)


class AskNumber(Ask):
    """A whole number in a range; a start is its first digit."""

    REPLACES = False

    def __init__(self, title: str, words: str, low: int, high: int, *, start: str = "") -> None:
        choices: list[Choice] = [("escape", "none", "Cancel")]
        super().__init__(
            title, [words], choices, field=f"{low} to {high}", start=start, hint="Enter takes it."
        )
        self._low, self._high = low, high

    def submit(self, text: str, pressed_s: float) -> None:
        """Refuse what is no number in the range, in words."""
        match = _NUMBER.fullmatch(text)
        if match is None or not self._low <= int(match[1]) <= self._high:
            self.complain(f"'{text}' is not a whole number from {self._low} to {self._high}.")
            return
        self.answer(match[1], pressed_s)

    def answer(self, value: str | None, pressed_s: float) -> None:
        """Cancel is None."""
        super().answer(None if value == "none" else value, pressed_s)


class AskDrive(Ask):
    """A bounded drive: how far, then which way."""

    DEFAULT: ClassVar[str] = "10"

    def __init__(self, hemisphere: str) -> None:
        first = left_side(hemisphere)
        sides: Iterable[Side] = (first, other(first))
        choices: list[Choice] = [("escape", "none", "Cancel")]
        choices += [(side[0], side, f"Drive {toward(side, hemisphere)}") for side in sides]
        super().__init__(
            "Drive by counts or seconds",
            [
                f"How far: 1-{MOST_COUNTS} counts (say 50), or 1-{MOST_SECONDS} seconds (say "
                "20s). Enter, then e drives east, w drives west. Every drive ends by itself; "
                "SPACE halts."
            ],
            choices,
            field="50 or 20s",
            start=self.DEFAULT,
            hint="Type the distance, Enter, then e or w.",
        )

    def distance(self) -> dict[str, int] | None:
        """What is typed, as arguments of a drive, or None when it cannot be used."""
        match = _DISTANCE.fullmatch(self.query_one(Input).value)
        if match is None:
            return None
        number, seconds = int(match[1]), (match[2] or "c")[0].lower() == "s"
        if not 1 <= number <= (MOST_SECONDS if seconds else MOST_COUNTS):
            return None
        return {"seconds" if seconds else "counts": number}

    def submit(self, text: str, pressed_s: float) -> None:
        """Enter leaves the field for the buttons."""
        if self.distance() is None:
            self._complain_about(text)
            return
        self.query(Button).first().focus()
        self.complain("Now e drives east, w drives west; escape leaves.")

    def _complain_about(self, text: str) -> None:
        self.complain(
            f"'{text}' is no distance; say 1-{MOST_COUNTS} (counts) or 1-{MOST_SECONDS} s."
        )

    def answer(self, value: str | None, pressed_s: float) -> None:
        """Answer 'east counts 50', or complain and stay."""
        if value in ("east", "west"):
            distance = self.distance()
            if distance is None:
                self._complain_about(self.query_one(Input).value)
                return
            ((unit, number),) = distance.items()
            super().answer(f"{value} {unit} {number}", pressed_s)
        else:
            super().answer(None, pressed_s)
