"""Dialogues: a title, words, perhaps a field, and buttons; each returns a typed value or None.

The background is opaque and the status line stays on top, so that motion is never hidden. The
focus starts on the choice that does nothing.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Generic, TypeVar, cast

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from bridge.bus.command import MOST_SECONDS, MOST_STEPS, Drive
from tui.console.status_lines import StatusLine
from tui.console.travel_ends import left_side, other, side_with_arrow

if TYPE_CHECKING:
    from bridge.bus.command import Side
    from tui.console.host import Host

BUTTONS_IN_A_ROW = 3  # buttons; a longer list is shown as a menu (judgement)
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Choice(Generic[T]):
    """A key, the words on its button, and the value that it returns."""

    key: str
    label: str
    value: T | None


class ChoiceButton(Button):
    """The button of one choice, by its place in the list of choices."""

    def __init__(self, label: str, index: int) -> None:
        super().__init__(label, compact=True)
        self.index = index


class DialogueScreen(ModalScreen[T | None]):
    """Closes with the value of a choice; escape, and a halt in between, close with None."""

    SELECT_ON_FOCUS: ClassVar[bool] = True  # what is typed replaces what the field starts with

    def __init__(
        self,
        title: str,
        words: Sequence[str],
        choices: Sequence[Choice[T]],
        *,
        placeholder: str | None = None,
        start: str = "",
        hint: str = "",
        focus: int = 0,
    ) -> None:
        super().__init__()
        self._title, self._words, self._choices = title, words, choices
        self._placeholder, self._start, self._hint = placeholder, start, hint
        self._focus = focus
        self._opened_s = time.monotonic()
        self.answered_s = 0.0  # when the answering key was pressed, monotonic clock

    def compose(self) -> ComposeResult:
        """Lay out the status line, the words, the field and the buttons."""
        yield StatusLine()
        with Vertical(id="card"):
            yield Static(self._title, id="title", markup=False)
            for words in self._words:
                yield Static(words, classes="words", markup=False)
            if self._placeholder is not None:
                yield Input(
                    self._start,
                    placeholder=self._placeholder,
                    id="field",
                    compact=True,
                    select_on_focus=self.SELECT_ON_FOCUS,
                )
            if self._hint:
                yield Static(self._hint, classes="hint", markup=False)
            menu = len(self._choices) > BUTTONS_IN_A_ROW
            with Vertical(id="menu") if menu else Horizontal(id="buttons"):
                for index, choice in enumerate(self._choices):
                    label = f"{choice.key}  {choice.label}"
                    yield ChoiceButton(label if menu else f"{choice.label} ({choice.key})", index)

    def on_mount(self) -> None:
        """Focus the field, or the choice that does nothing."""
        if self._placeholder is not None:
            self.query_one(Input).focus()
        else:
            list(self.query(ChoiceButton))[self._focus].focus()

    def on_key(self, event: events.Key) -> None:
        """Choose by a key, or move between the buttons."""
        focused = self.focused
        if event.key == "escape":
            event.stop()
            self.close_with(None, event.time)
        elif event.key == "enter" and isinstance(focused, ChoiceButton):
            event.stop()
            self.choose(self._choices[focused.index], event.time)
        elif event.key in ("left", "up"):
            event.stop()
            self.focus_previous()
        elif event.key in ("right", "down"):
            event.stop()
            self.focus_next()
        else:
            for choice in self._choices:
                if event.key == choice.key:
                    event.stop()
                    self.choose(choice, event.time)

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Choose by mouse."""
        event.stop()
        if isinstance(event.button, ChoiceButton):
            self.choose(self._choices[event.button.index], event.time)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in the field submits what is typed."""
        event.stop()
        self.submit(event.value, event.time)

    def submit(self, text: str, pressed_s: float) -> None:
        """Take what was typed; a dialogue with a field overrides this."""

    def choose(self, choice: Choice[T], pressed_s: float) -> None:
        """Close with the value of a choice; overridden where the field belongs to it."""
        self.close_with(choice.value, pressed_s)

    def close_with(self, value: T | None, pressed_s: float) -> None:
        """Close; the value is dropped if a halt came while the dialogue was open.

        What is typed around a SPACE that halts may be cut: "120 s" must not drive 120 counts.
        """
        self.answered_s = pressed_s
        host = cast("Host", self.app)
        if value is not None and host.halted_s > self._opened_s:
            host.notice("A halt came while that was asked; nothing was sent. Ask again.")
            value = None
        self.dismiss(value)

    def show_hint(self, words: str) -> None:
        """Show words below the field, as what is wrong with it."""
        for hint in self.query(".hint").results(Static):
            hint.update(words)


_NUMBER = re.compile(r"\s*(\d{1,6})\s*")
_DISTANCE = re.compile(r"\s*(\d{1,3})\s*(s|seconds?|c|counts?)?\s*", re.IGNORECASE)


class NumberDialogue(DialogueScreen[int]):
    """Returns a whole number in a range; a start value is its first digit."""

    SELECT_ON_FOCUS = False

    def __init__(self, title: str, words: str, low: int, high: int, *, start: str = "") -> None:
        super().__init__(
            title,
            [words],
            [Choice("escape", "Cancel", None)],
            placeholder=f"{low} to {high}",
            start=start,
            hint="Enter takes it.",
        )
        self._low, self._high = low, high

    def submit(self, text: str, pressed_s: float) -> None:
        """Close with the number, or say what is wrong with it."""
        match = _NUMBER.fullmatch(text)
        if match is None or not self._low <= int(match[1]) <= self._high:
            self.show_hint(f"'{text}' is not a whole number from {self._low} to {self._high}.")
            return
        self.close_with(int(match[1]), pressed_s)


def parse_distance(text: str, side: Side) -> Drive | None:
    """A bounded drive from what is typed, or None where one frame cannot carry it.

    >>> parse_distance("50", "west"), parse_distance("20 s", "east")
    (Drive(side='west', counts=50, seconds=None), Drive(side='east', counts=None, seconds=20))
    >>> parse_distance("129", "west") is None
    True
    """
    match = _DISTANCE.fullmatch(text)
    if match is None:
        return None
    number, in_seconds = int(match[1]), (match[2] or "c")[0].lower() == "s"
    if not 1 <= number <= (MOST_SECONDS if in_seconds else MOST_STEPS):
        return None
    return Drive(side, seconds=number) if in_seconds else Drive(side, counts=number)


class DriveDialogue(DialogueScreen[Drive]):
    """Returns a bounded drive: first the distance, then the side."""

    START: ClassVar[str] = "10"

    def __init__(self, hemisphere: str) -> None:
        first = left_side(hemisphere)
        choices: list[Choice[Drive]] = [Choice("escape", "Cancel", None)]
        self._sides: dict[str, Side] = {}
        for side in (first, other(first)):
            choices.append(Choice(side[0], f"Drive {side_with_arrow(side, hemisphere)}", None))
            self._sides[side[0]] = side
        super().__init__(
            "Drive by counts or seconds",
            [
                f"How far: 1-{MOST_STEPS} counts (say 50), or 1-{MOST_SECONDS} seconds (say "
                "20s). Enter, then e drives east, w drives west. Every drive ends by itself; "
                "SPACE halts."
            ],
            choices,
            placeholder="50 or 20s",
            start=self.START,
            hint="Type the distance, Enter, then e or w.",
        )

    def submit(self, text: str, pressed_s: float) -> None:
        """Enter leaves the field for the buttons."""
        if parse_distance(text, "east") is None:
            self._refuse(text)
            return
        self.query(ChoiceButton).first().focus()
        self.show_hint("Now e drives east, w drives west; escape leaves.")

    def choose(self, choice: Choice[Drive], pressed_s: float) -> None:
        """Close with the drive to the side chosen, or say what is wrong and stay."""
        side = self._sides.get(choice.key)
        if side is None:
            self.close_with(None, pressed_s)
            return
        text = self.query_one(Input).value
        drive = parse_distance(text, side)
        if drive is None:
            self._refuse(text)
        else:
            self.close_with(drive, pressed_s)

    def _refuse(self, text: str) -> None:
        self.show_hint(
            f"'{text}' is no distance; say 1-{MOST_STEPS} (counts) or 1-{MOST_SECONDS} s."
        )
