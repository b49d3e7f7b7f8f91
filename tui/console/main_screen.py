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

from bridge.bus import standard as std
from bridge.textfile.save import replace_file
from tui.console import questions
from tui.console.command_field import CommandField
from tui.console.dialogue import DriveDialogue
from tui.console.frame_log import FrameLog, log_text
from tui.console.guide import Guide
from tui.console.help import Help
from tui.console.keys import KeyMove, action_of
from tui.console.position_list import PositionList
from tui.console.readouts import Readouts
from tui.console.sky_picture import SkyPicture
from tui.console.status_lines import AdviceLines, KeyLine, StatusLine, TroubleLine
from tui.console.travel_scale import TravelScale

if TYPE_CHECKING:
    from bridge.bus.command import Drive, Side
    from bridge.helm.helm import Helm
    from bridge.helm.snapshot import PositionRow, Snapshot
    from tui.console.host import Host
    from tui.console.questions import LimitAction

NOTICE_S = 6.0  # s that a notice stays on the screen (judgement)


class MainScreen(Screen[None]):
    """Everything needed to move a dish with care."""

    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide"), (150, "-broad")]  # noqa: RUF012 - as in the base; cells (judgement)
    VERTICAL_BREAKPOINTS = [(0, "-short"), (34, "-tall"), (46, "-towering")]  # noqa: RUF012 - rows (judgement)

    def __init__(self, helm: Helm) -> None:
        super().__init__()
        self.helm = helm
        self.guide = Guide()
        self.hemisphere = helm.scale().hemisphere
        self._notice = ""
        self._notice_until_s = 0.0
        self._history_s = 0.0

    @property
    def host(self) -> Host:
        """The app, as far as this screen uses it."""
        return cast("Host", self.app)

    def compose(self) -> ComposeResult:
        """Lay the screen out."""
        yield StatusLine()
        with Horizontal(id="upper"):
            with Vertical(id="sky"):
                yield SkyPicture(id="picture")
                yield TravelScale(id="travel")
            yield Readouts(id="readouts")
        yield AdviceLines(id="advice")
        with Horizontal(id="lower"):
            places = PositionList(id="places")
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
        self.query_one(SkyPicture).focus()

    # showing

    def update_text(self) -> None:
        """Show the snapshot in everything but the picture and the log."""
        snapshot, scale, now_s = self.helm.snapshot(), self.helm.scale(), time.monotonic()
        self.query_one(TravelScale).present(snapshot, scale)
        self.query_one(Readouts).present(snapshot, scale)
        self.query_one(AdviceLines).present(self.guide.advise(snapshot, scale, now_s))
        self.query_one(PositionList).present(snapshot)
        notice = self._notice if now_s < self._notice_until_s else ""
        long = self.query_one(TroubleLine).present(snapshot.error, notice)
        if long != self.has_class("-long-trouble"):  # a row is borrowed from the log
            self.set_class(long, "-long-trouble")
        self.query_one(KeyLine).present()

    def update_picture(self) -> None:
        """Show where the dish points."""
        self.query_one(SkyPicture).present(self.helm.snapshot(), self.helm.scale())

    def update_log(self) -> None:
        """Take new log lines, and the last minute for the plots."""
        frames = self.query_one(FrameLog)
        frames.add(self.helm.log_since(frames.last_seq))
        self.query_one(Readouts).remember(self.helm.history(), time.monotonic())

    def on_resize(self) -> None:
        """Draw anew after the parts have their sizes."""
        self.call_after_refresh(self.host.update_all)

    def notice(self, words: str) -> None:
        """Say something that is no error."""
        self._notice, self._notice_until_s = words, time.monotonic() + NOTICE_S

    # keys

    def on_key(self, event: events.Key) -> None:
        """Act on a key; keys that a field or a list takes do not come here."""
        if event.key == "escape":
            event.stop()
            self.query_one(SkyPicture).focus()
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
        if isinstance(action, KeyMove):
            self._move(action, event.time)
        else:
            getattr(self, f"do_{action}")()

    def _move(self, move: KeyMove, pressed_s: float) -> None:
        if not self.host.may_move(pressed_s):
            return
        if move.held:
            self.helm.hold(move.side, pressed_s)
        else:
            self.helm.jog(move.side, pressed_s)

    def do_help(self) -> None:
        """Explain what has the focus."""
        focused = self.focused
        title = getattr(focused, "HELP_TITLE", SkyPicture.HELP_TITLE)
        words = getattr(focused, "HELP", SkyPicture.HELP)
        self.app.push_screen(Help(title, words, self.hemisphere))

    def do_leave(self) -> None:
        """Ask, then leave."""

        def leave(yes: bool | None) -> None:
            if yes:
                self.app.exit(0)

        self.app.push_screen(questions.ask_leave(), leave)

    def do_drive(self) -> None:
        """Ask how far and which way."""
        dialogue = DriveDialogue(self.hemisphere)

        def drive(answer: Drive | None) -> None:
            if answer is not None and self.host.may_move(dialogue.answered_s, patient=True):
                self.helm.drive(answer.side, counts=answer.counts, seconds=answer.seconds)

        self.app.push_screen(dialogue, drive)

    def do_limits(self) -> None:
        """Ask what to do about the limits; setting one is confirmed with the count."""

        def limits(action: LimitAction | None) -> None:
            match action:
                case "set east":
                    self._set_limit("east")
                case "set west":
                    self._set_limit("west")
                case "on" | "off":
                    self.helm.limits(action == "on")

        self.app.push_screen(questions.ask_limits(self.helm.snapshot()), limits)

    def _set_limit(self, side: Side) -> None:
        snapshot = self.helm.snapshot()

        def confirmed(yes: bool | None) -> None:
            if not yes:
                return
            if self.helm.snapshot().count != snapshot.count:
                self.notice("The count changed meanwhile; nothing was set. Look, and ask again.")
                return
            self.helm.set_limit(side)

        self.app.push_screen(questions.ask_set_limit(side, snapshot), confirmed)

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

    def on_position_list_picked(self, message: PositionList.Picked) -> None:
        """Select by mouse."""
        self.helm.select(message.number)

    def _ask_position(self, start: str) -> None:
        def selected(number: int | None) -> None:
            if number is not None:
                self.helm.select(number)

        self.app.push_screen(questions.ask_position_number(start), selected)

    def do_store(self) -> None:
        """Store here; over a stored one only after a yes."""
        snapshot = self.helm.snapshot()
        row = self._row(snapshot)
        number = snapshot.selected
        if row is None or row.count is None:
            self.helm.store(number)
            return

        def store(yes: bool | None) -> None:
            if yes:
                self.helm.store(number)

        self.app.push_screen(questions.ask_store_over(row, snapshot), store)

    def do_goto(self) -> None:
        """Show the distance, then go."""
        snapshot = self.helm.snapshot()
        number = snapshot.selected
        dialogue = questions.ask_goto(number, self._row(snapshot), snapshot)

        def go(yes: bool | None) -> None:
            if yes and self.host.may_move(dialogue.answered_s, patient=True):
                self.helm.goto(number)

        self.app.push_screen(dialogue, go)

    def do_count(self) -> None:
        """Set the count that is shown for this place."""

        def set_count(count: int | None) -> None:
            if count is not None:
                self.helm.call_count(count)

        self.app.push_screen(questions.ask_count(self.helm.snapshot()), set_count)

    def do_mark(self) -> None:
        """Clear the mark of the best signal."""
        self.helm.reset_best()
        self.notice("The best-signal mark is cleared; the best is sought from here on.")

    def do_supply(self) -> None:
        """Change between 13 V and 18 V."""
        is_high = self.helm.snapshot().supply_v >= std.SUPPLY_THRESHOLD_V
        self.helm.set_supply(std.SUPPLY_LOW_V if is_high else std.SUPPLY_HIGH_V)

    def do_tone(self) -> None:
        """Switch the continuous tone."""
        self.helm.set_tone(not self.helm.snapshot().tone)

    def do_command(self) -> None:
        """Focus the field of command words."""
        self.query_one(CommandField).focus()

    def do_frames(self) -> None:
        """Focus the log, or leave it."""
        self._toggle_focus(FrameLog)

    def do_positions(self) -> None:
        """Focus the list where it is shown, or leave it."""
        self._toggle_focus(PositionList)

    def _toggle_focus(self, kind: type[FrameLog] | type[PositionList]) -> None:
        part = self.query_one(kind)
        if self.focused is part or not part.display or part.size.height == 0:
            self.query_one(SkyPicture).focus()
        else:
            part.focus()

    def do_save_log(self) -> None:
        """Write the log to a file in the working directory."""
        path = Path(time.strftime("arcstep-log-%Y%m%d-%H%M%S.txt"))
        try:
            replace_file(path, log_text(self.query_one(FrameLog).lines).encode(), like=path)
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
        self.helm.order(words, confirmed=words == self.helm.snapshot().confirm)
