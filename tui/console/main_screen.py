"""The main screen: its parts, and what its keys do."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, cast

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import Screen
from textual.widgets import Input, Static

from tui.console.command_field import CommandField
from tui.console.dialogues import AskDrive, AskNumber, ask_limits, ask_yes
from tui.console.distance import counts_to
from tui.console.frame_log import FrameLog, log_text
from tui.console.guide import Guide
from tui.console.help import Help
from tui.console.keys import action_of
from tui.console.position_list import Places
from tui.console.readouts import Readouts
from tui.console.sky_picture import Picture
from tui.console.status_lines import AdviceLines, KeyLine, StatusLine, TroubleLine
from tui.console.travel_scale import Travel

if TYPE_CHECKING:
    from bridge.bus.command import Side
    from bridge.helm import Helm
    from bridge.helm.snapshot import PositionRow, Snapshot
    from tui.console.host import Host

LAST_POSITION = 255  # the bus carries one byte
MOST_COUNT = 32767  # more than any actuator counts; a tally beyond it is a slip of the hand
NOTICE_S = 6.0  # s that a notice stays


class Deck(Screen[None]):
    """Everything needed to move a dish with care."""

    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide"), (150, "-broad")]  # noqa: RUF012 - as in the base
    VERTICAL_BREAKPOINTS = [(0, "-short"), (34, "-tall"), (46, "-towering")]  # noqa: RUF012

    def __init__(self, helm: Helm) -> None:
        super().__init__()
        self.helm = helm
        self.guide = Guide()
        self.hemisphere = helm.scale().hemisphere
        self._notice = ""
        self._notice_until_s = 0.0
        self._history_s = 0.0
        self._told_twice = ""

    @property
    def host(self) -> Host:
        """The app, as far as this screen asks anything of it."""
        return cast("Host", self.app)

    def compose(self) -> ComposeResult:
        """Lay the screen out."""
        yield StatusLine()
        with Horizontal(id="upper"):
            with Vertical(id="sky"):
                yield Picture(id="picture")
                yield Travel(id="travel")
            yield Readouts(id="readouts")
        yield AdviceLines(id="advice")
        with Horizontal(id="lower"):
            places = Places(id="places")
            places.border_title = "Positions"
            yield places
            frames = FrameLog(id="frames")
            frames.border_title = "Frames and notes"
            yield frames
        yield TroubleLine(id="trouble")
        with Horizontal(id="command-row"):
            yield Static(": ", id="colon", markup=False)
            yield CommandField()
        yield KeyLine(id="keys")

    def on_mount(self) -> None:
        """Keys go to the picture first."""
        self.query_one(Picture).focus()

    # looking

    def look_at_text(self) -> None:
        """Show the snapshot in everything but the picture and the log."""
        snapshot, scale, now_s = self.helm.snapshot(), self.helm.scale(), time.monotonic()
        self.query_one(Travel).look(snapshot, scale)
        self.query_one(Readouts).look(snapshot, scale)
        self.query_one(AdviceLines).look(self.guide.look(snapshot, scale, now_s))
        self.query_one(Places).look(snapshot)
        notice = self._notice if now_s < self._notice_until_s else ""
        long = self.query_one(TroubleLine).look(snapshot.error, notice)
        if long != self.has_class("-long-trouble"):  # a row is borrowed from the log
            self.set_class(long, "-long-trouble")
        self.query_one(KeyLine).look()

    def look_at_picture(self) -> None:
        """Show where the dish points."""
        self.query_one(Picture).look(self.helm.snapshot(), self.helm.scale())

    def look_at_log(self) -> None:
        """Take new log lines, and the last minute for the plots."""
        frames = self.query_one(FrameLog)
        frames.add(self.helm.log_since(frames.last_seq))
        self.query_one(Readouts).remember(self.helm.history(), time.monotonic())

    def on_resize(self) -> None:
        """Draw anew after the parts have their sizes."""
        self.call_after_refresh(self.host.look_at_all)

    def notice(self, words: str) -> None:
        """Say something that is no error."""
        self._notice, self._notice_until_s = words, time.monotonic() + NOTICE_S

    # keys

    def on_key(self, event: events.Key) -> None:
        """Do what a key says; keys that a field or a list has taken do not come here."""
        if event.key == "escape":
            event.stop()
            self.query_one(Picture).focus()
            return
        if event.character is not None and event.character in "123456789":
            event.stop()
            self._ask_position(event.character)
            return
        action = action_of(event.key, self.hemisphere)
        if action is None:
            return
        event.stop()
        event.prevent_default()
        kind, _, side = action.partition("_")
        if kind in ("jog", "hold"):
            self._jog_or_hold(kind, "east" if side == "east" else "west", event.time)
        else:
            getattr(self, f"do_{action}")()

    def _jog_or_hold(self, kind: str, side: Side, pressed_s: float) -> None:
        if not self.host.may_move(pressed_s):
            return
        if kind == "jog":
            self.helm.jog(side, pressed_s)
        else:
            self.helm.hold(side, pressed_s)

    def do_help(self) -> None:
        """Explain what has the focus."""
        focused = self.focused
        title = getattr(focused, "HELP_TITLE", Picture.HELP_TITLE)
        words = getattr(focused, "HELP", Picture.HELP)
        self.app.push_screen(Help(title, words, self.hemisphere))

    def do_leave(self) -> None:
        """Ask, then leave."""
        ask = ask_yes("Leave the console?", "The motor is halted and the port closed.", "Leave")

        def leave(answer: str | None) -> None:
            if answer == "yes":
                self.app.exit(0)

        self.app.push_screen(ask, leave)

    def do_drive(self) -> None:
        """Ask how far and which way."""
        ask = AskDrive(self.hemisphere)

        def drive(answer: str | None) -> None:
            if answer is None or not self.host.may_move(ask.answered_s, patient=True):
                return
            side, unit, number = answer.split()
            way: Side = "east" if side == "east" else "west"
            if unit == "counts":
                self.helm.drive(way, counts=int(number))
            else:
                self.helm.drive(way, seconds=int(number))

        self.app.push_screen(ask, drive)

    def do_limits(self) -> None:
        """Ask what to do about the limits; setting one is confirmed with the count."""

        def limits(answer: str | None) -> None:
            if answer in ("east", "west"):
                self._confirm_limit("east" if answer == "east" else "west")
            elif answer in ("on", "off"):
                self.helm.limits(answer == "on")

        self.app.push_screen(ask_limits(self.helm.snapshot()), limits)

    def _confirm_limit(self, side: Side) -> None:
        snapshot = self.helm.snapshot()
        at = "this place (no count)" if snapshot.count is None else f"count {snapshot.count}"
        before = snapshot.limit_east if side == "east" else snapshot.limit_west
        instead = "" if before is None else f" It replaces the one at {before}."
        ask = ask_yes(
            f"Set the {side} limit here?",
            f"The {side} soft limit will be {at}.{instead} The positioner keeps it and no longer "
            f"drives {side} beyond it.",
            f"Set {side} limit",
        )

        def confirmed(answer: str | None) -> None:
            if answer != "yes":
                return
            if self.helm.snapshot().count != snapshot.count:
                self.notice("The count changed meanwhile; nothing was set. Look, and ask again.")
                return
            self.helm.set_limit(side)

        self.app.push_screen(ask, confirmed)

    def _row(self, snapshot: Snapshot) -> PositionRow | None:
        for row in snapshot.positions:
            if row.number == snapshot.selected:
                return row
        return None

    def _select(self, step: int) -> None:
        snapshot = self.helm.snapshot()
        numbers = [row.number for row in snapshot.positions]
        if snapshot.selected in numbers:
            at = numbers.index(snapshot.selected) + step
            if 0 <= at < len(numbers):
                self.helm.select(numbers[at])
        elif numbers:
            self.helm.select(numbers[0])

    def do_previous(self) -> None:
        """Select the position before."""
        self._select(-1)

    def do_next(self) -> None:
        """Select the position after."""
        self._select(1)

    def on_places_picked(self, message: Places.Picked) -> None:
        """Select by mouse."""
        self.helm.select(message.number)

    def _ask_position(self, start: str) -> None:
        ask = AskNumber(
            "Select a position", "The number in the list.", 1, LAST_POSITION, start=start
        )

        def selected(answer: str | None) -> None:
            if answer is not None:
                self.helm.select(int(answer))

        self.app.push_screen(ask, selected)

    def do_store(self) -> None:
        """Store here; over a stored one only after a yes."""
        snapshot = self.helm.snapshot()
        row = self._row(snapshot)
        number = snapshot.selected
        if row is None or row.count is None:
            self.helm.store(number)
            return
        here = "this place" if snapshot.count is None else f"count {snapshot.count}"
        ask = ask_yes(
            f"Store {here} over position {number} {row.name}?",
            f"It is stored at {row.count}. The positioner forgets that place.",
            "Store",
        )

        def store(answer: str | None) -> None:
            if answer == "yes":
                self.helm.store(number)

        self.app.push_screen(ask, store)

    def do_goto(self) -> None:
        """Say how far it is, then go."""
        snapshot = self.helm.snapshot()
        row = self._row(snapshot)
        number = snapshot.selected
        name = f"position {number}" + (f" {row.name}" if row else "")
        if row is None or row.count is None:
            words = "It is not taught here; the positioner may still hold a place under it."
        elif snapshot.count is None:
            words = f"It is stored at count {row.count}."
        else:
            way = counts_to(snapshot.count, row.count)
            words = f"It is stored at {row.count}: {way} of here. The dish will move."
        ask = ask_yes(f"Go to {name}?", words, "Go", key="g")

        def go(answer: str | None) -> None:
            if answer == "yes" and self.host.may_move(ask.answered_s, patient=True):
                self.helm.goto(number)

        self.app.push_screen(ask, go)

    def do_call_count(self) -> None:
        """Give this place a count."""
        snapshot = self.helm.snapshot()
        was = "It has no count now." if snapshot.count is None else f"It is {snapshot.count} now."
        ask = AskNumber(
            "Call this place count ...",
            f"{was} Only the count shown here changes; positions and limits kept in the "
            "positioner do not.",
            0,
            MOST_COUNT,
        )

        def call(answer: str | None) -> None:
            if answer is not None:
                self.helm.call_count(int(answer))

        self.app.push_screen(ask, call)

    def do_mark(self) -> None:
        """Forget the best signal."""
        self.helm.reset_best()
        self.notice("The best signal is marked anew from here.")

    def do_supply(self) -> None:
        """Change between 13 V and 18 V."""
        self.helm.set_supply(13 if self.helm.snapshot().supply_v >= 15 else 18)

    def do_tone(self) -> None:
        """Switch the continuous tone."""
        self.helm.set_tone(not self.helm.snapshot().tone)

    def do_command(self) -> None:
        """Go to the command line."""
        self.query_one(CommandField).focus()

    def do_frames(self) -> None:
        """Go to the log."""
        self._to_or_back(FrameLog)

    def do_places(self) -> None:
        """Go to the list, where it is shown."""
        self._to_or_back(Places)

    def _to_or_back(self, kind: type[FrameLog] | type[Places]) -> None:
        part = self.query_one(kind)
        if self.focused is part or not part.display or part.size.height == 0:
            self.query_one(Picture).focus()
        else:
            part.focus()

    def do_save_log(self) -> None:
        """Write the log to a file in the working directory."""
        path = Path(time.strftime("arcstep-log-%Y%m%d-%H%M%S.txt"))
        try:
            path.write_text(log_text(self.query_one(FrameLog).lines), encoding="utf-8")
        except OSError as error:
            self.notice(f"The log could not be written to {path.resolve()}: {error.strerror}.")
        else:
            self.notice(f"The log is in {path.resolve()}.")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Send command words."""
        words = event.value.strip()
        if not words:
            return
        field = self.query_one(CommandField)
        field.remember(words)
        field.value = ""
        if not self.host.may_move(event.time, patient=True):
            return
        twice = words == self._told_twice and "twice" in self.helm.snapshot().error
        self._told_twice = words
        self.helm.order(words, asked_twice=twice)
