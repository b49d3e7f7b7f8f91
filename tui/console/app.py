"""The console as a Textual app: timers that pull, SPACE that halts, and a clean way out."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar

from textual import events
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.css.query import NoMatches
from textual.driver import Driver
from textual.screen import Screen
from textual.widgets import Input

from bridge.errors import BadInput
from bridge.helm.stale_key import ANSWER_STALE_S, JOG_STALE_S, Press, judge_press
from tui.console.halt_key import halting_driver, is_space, on_termination
from tui.console.keys import KEYS
from tui.console.main_screen import MainScreen
from tui.console.questions import ask_cautions
from tui.console.status_lines import StatusLine
from tui.console.theme import CSS, DAY, NIGHT, PLAIN

if TYPE_CHECKING:
    from bridge.helm.helm import Helm

# s between updates: 10, 20 and 4 Hz; tests/benchmarks/console_pace.py prints what they cost.
TEXT_S, PICTURE_S, LOG_S = 0.1, 0.05, 0.25
QUIET_S = 2.0  # s after an order in which SPACE in a field still halts (judgement)
REPEAT_S = 0.2  # s in which a second SPACE of a held key is the same halt (judgement)
DEATH_S = 1.5  # s for the loop to end by itself when the terminal is gone (judgement)


class Console(App[int]):
    """The screen of one helm."""

    TITLE = "arcstep"
    CSS: ClassVar[str] = CSS
    ENABLE_COMMAND_PALETTE: ClassVar[bool] = True
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+q", "leave_now", "Leave", show=False, priority=True),
        Binding("ctrl+c", "leave_now", "Leave", show=False, priority=True),
        Binding("ctrl+z", "halt", "Halt", show=False, priority=True),
    ]

    def __init__(self, helm: Helm, *, timers: bool = True) -> None:
        self._plain = "NO_COLOR" in os.environ
        super().__init__(ansi_color=True if self._plain else None)
        self.helm = helm
        self._with_timers = timers
        self.halted_s = float("-inf")
        self.ordered_s = float("-inf")
        self.main_screen = MainScreen(helm)
        self.register_theme(NIGHT)
        self.register_theme(DAY)
        self.register_theme(PLAIN)
        self.theme = PLAIN.name if self._plain else NIGHT.name
        self.set_class(self._plain, "-no-color")

    def get_driver_class(self) -> type[Driver]:
        """The platform's driver, made to halt on SPACE."""
        return halting_driver(super().get_driver_class())

    def get_default_screen(self) -> MainScreen:
        """The main screen."""
        return self.main_screen

    def on_mount(self) -> None:
        """Ask for the cautions and start the timers."""
        if not self.helm.snapshot().acknowledged:
            self.ask_cautions()
        if self._with_timers:
            for interval_s, update in (
                (TEXT_S, self.update_text),
                (PICTURE_S, self.update_picture),
                (LOG_S, self.update_log),
            ):
                self.set_interval(interval_s, partial(self._update, update))

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """The palette lists the actions of the keys, and the colours for day and night."""
        for entry in KEYS:
            if isinstance(entry.action, str):
                action = getattr(self.main_screen, f"do_{entry.action}")
                yield SystemCommand(entry.words.capitalize(), f"key {entry.shown}", action)
        yield SystemCommand("Halt", "key SPACE", self.action_halt)
        if not self._plain:
            yield SystemCommand("Colours for day", "dark on light", self.action_day)
            yield SystemCommand("Colours for night", "light on dark", self.action_night)

    def action_day(self) -> None:
        """Dark on light, for sunshine."""
        self.theme = DAY.name

    def action_night(self) -> None:
        """Light on dark."""
        self.theme = NIGHT.name

    # showing

    @property
    def main_screen_is_shown(self) -> bool:
        """Whether the main screen is on top, or under the palette, which hides little of it."""
        return self.screen is self.main_screen or not self.screen.query(StatusLine)

    def _update(self, update: Callable[[], None]) -> None:
        """Update by a timer, which may be due before widgets exist or after they are gone."""
        with suppress(NoMatches):
            update()

    def update_text(self) -> None:
        """The heartbeat, and everything that is text."""
        self.helm.beat()
        seen = self.main_screen_is_shown
        screen = self.main_screen if seen else self.screen
        for line in screen.query(StatusLine):
            line.present(self.helm.snapshot(), self.main_screen.hemisphere, with_count=not seen)
        if seen:
            self.main_screen.update_text()

    def update_picture(self) -> None:
        """The moving picture."""
        if self.main_screen_is_shown:
            self.main_screen.update_picture()

    def update_log(self) -> None:
        """The log, and the last minute."""
        self.main_screen.update_log()

    def update_all(self) -> None:
        """Everything at once, as after a change of size."""
        self.update_log()
        self.update_text()
        self.update_picture()

    # halting

    def space_halts(self) -> bool:
        """Tell whether SPACE means halt; safe in any thread.

        It always does, but in a field while nothing moves and nothing was ordered just now.
        """
        if self.helm.snapshot().moving is not None:
            return True
        if time.monotonic() - self.ordered_s < QUIET_S:
            return True
        try:
            return not isinstance(self.screen.focused, Input)
        except Exception:  # no screen yet, or one just going: halting is never wrong
            return True

    def halt_now(self, why: str) -> None:
        """Halt; safe in any thread. A held SPACE is one halt as long as nothing was ordered."""
        now_s = time.monotonic()
        if now_s - self.halted_s < REPEAT_S and self.ordered_s < self.halted_s:
            return
        self.halted_s = now_s
        self.helm.halt(why)

    async def on_event(self, event: events.Event) -> None:
        """Look at SPACE once more, and drop keys from before a halt."""
        if isinstance(event, events.Key) and not event.is_forwarded:
            if is_space(event):
                if self.space_halts():
                    self.halt_now("SPACE")
                    return
            elif event.time <= self.halted_s:
                return
        await super().on_event(event)

    def may_move(self, pressed_s: float, *, patient: bool = False) -> bool:
        """Whether a key press may still move anything; shows the cautions first if need be."""
        now_s = time.monotonic()
        stale_s = ANSWER_STALE_S if patient else JOG_STALE_S
        press = judge_press(pressed_s, now_s=now_s, halted_s=self.halted_s, stale_s=stale_s)
        if press is Press.STALE:
            self.notice("A key came too late to be acted on; nothing was sent.")
        if press is not Press.FRESH:
            return False
        if not self.helm.snapshot().acknowledged:
            self.ask_cautions()
            return False
        self.ordered_s = now_s
        return True

    def action_halt(self) -> None:
        """Halt from the palette."""
        self.halt_now("asked")

    def notice(self, words: str) -> None:
        """Say something that is no error."""
        self.main_screen.notice(words)

    # ways in and out

    def ask_cautions(self) -> None:
        """Show the cautions; nothing moves before they are acknowledged."""

        def acknowledged(yes: bool | None) -> None:
            if yes:
                self.helm.acknowledge()

        self.push_screen(ask_cautions(self.helm.snapshot().live), acknowledged)

    def action_leave_now(self) -> None:
        """Halt and leave."""
        self.halt_now("leaving")
        self.exit(0)


def run_console(helm: Helm) -> int:
    """Run the console until the person leaves; halt and close on every way out.

    Raises BadInput where there is no terminal.
    """
    if not (
        sys.__stdin__ and sys.__stdin__.isatty() and sys.__stderr__ and sys.__stderr__.isatty()
    ):
        helm.close()
        raise BadInput(
            "the console needs a terminal for keys and screen; for scripts use 'arcstep send'"
        )
    console = Console(helm)

    def die(number: int, _frame: Any) -> None:
        helm.halt(f"signal {number}")
        last = threading.Timer(DEATH_S, _leave_hard, (helm, 128 + number))
        last.daemon = True
        last.start()
        console.call_later(console.exit, 128 + number)

    on_termination(die)
    try:
        console.run()
    finally:
        helm.halt("leaving")
        helm.close()
    return console.return_value or console.return_code or 0


def _leave_hard(helm: Helm, code: int) -> None:
    """End although the loop waits for a terminal that no longer reads."""
    helm.close()
    os._exit(code)
