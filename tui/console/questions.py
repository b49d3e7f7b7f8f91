"""What is asked before something happens: each question as a dialogue with its words."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Literal

from tui.cautions import CAUTIONS, REAL, REHEARSAL
from tui.console.dialogue import Choice, DialogueScreen, NumberDialogue
from tui.console.travel_ends import counts_to

if TYPE_CHECKING:
    from bridge.bus.command import Side
    from bridge.helm.snapshot import PositionRow, Snapshot

LAST_POSITION = 255  # positions, from 1: one byte of data (Positioner Application Note 1.0)
MOST_COUNT = 32767  # counts, more than any actuator has; beyond it is a typing error (judgement)
CAUTION_WIDTH = 70  # cells of a line of the cautions, to fit 80 columns (judgement)

LimitAction = Literal["set east", "set west", "on", "off"]


def ask_cautions(live: bool) -> DialogueScreen[bool]:
    """The cautions; on a real port the focus starts on 'not yet'."""
    choices = [Choice("n", "Not yet, only look", False), Choice("y", "I have read them", True)]
    words = [REAL if live else REHEARSAL, "\n".join(map(_bullet, CAUTIONS))]
    return DialogueScreen("Cautions", words, choices, focus=0 if live else 1)


def _bullet(words: str) -> str:
    return textwrap.fill(words, CAUTION_WIDTH, initial_indent="• ", subsequent_indent="  ")


def ask_yes(title: str, words: str, yes: str, *, key: str = "y") -> DialogueScreen[bool]:
    """A question whose default is no."""
    return DialogueScreen(title, [words], [Choice("n", "No", False), Choice(key, yes, True)])


def ask_leave() -> DialogueScreen[bool]:
    """Whether to leave the console."""
    return ask_yes("Leave the console?", "The motor is halted and the port closed.", "Leave")


def ask_limits(snapshot: Snapshot) -> DialogueScreen[LimitAction]:
    """What to do about the soft limits."""
    at = "this place" if snapshot.count is None else f"count {snapshot.count}"

    def limit_text(count: int | None) -> str:
        return "not known" if count is None else str(count)

    state = {True: "on", False: "off", None: "not known"}[snapshot.limits_on]
    words = [
        f"East limit {limit_text(snapshot.limit_east)}, west limit "
        f"{limit_text(snapshot.limit_west)}; limits are {state}.",
        f"The dish is at {at}. A soft limit belongs 5-10 counts inside the end, set one count at "
        "a time. It is kept in the positioner and is no safety device.",
    ]
    choices: list[Choice[LimitAction]] = [
        Choice("x", "close, change nothing", None),
        Choice("e", f"set the EAST limit here, at {at}", "set east"),
        Choice("w", f"set the WEST limit here, at {at}", "set west"),
        Choice("n", "turn the limits on", "on"),
        Choice("f", "turn the limits off, as to find the ends", "off"),
    ]
    return DialogueScreen("Soft limits", words, choices)


def ask_set_limit(side: Side, snapshot: Snapshot) -> DialogueScreen[bool]:
    """Whether the soft limit of a side belongs here."""
    at = "this place (no count)" if snapshot.count is None else f"count {snapshot.count}"
    before = snapshot.limit_east if side == "east" else snapshot.limit_west
    instead = "" if before is None else f" It replaces the one at {before}."
    return ask_yes(
        f"Set the {side} limit here?",
        f"The {side} soft limit will be {at}.{instead} The positioner keeps it and no longer "
        f"drives {side} beyond it.",
        f"Set {side} limit",
    )


def ask_store_over(row: PositionRow, snapshot: Snapshot) -> DialogueScreen[bool]:
    """Whether this place replaces the one stored for a position."""
    here = "this place" if snapshot.count is None else f"count {snapshot.count}"
    return ask_yes(
        f"Store {here} over position {row.number} {row.name}?",
        f"It is stored at {row.count}. The positioner forgets that place.",
        "Store",
    )


def ask_goto(number: int, row: PositionRow | None, snapshot: Snapshot) -> DialogueScreen[bool]:
    """Whether to go to a position, with the distance where it is known."""
    if row is None or row.count is None:
        words = "It is not taught here; the positioner may still hold a place under it."
    elif snapshot.count is None:
        words = f"It is stored at count {row.count}."
    else:
        distance = counts_to(snapshot.count, row.count)
        words = f"It is stored at {row.count}: {distance} of here. The dish will move."
    name = f"position {number}" + (f" {row.name}" if row else "")
    return ask_yes(f"Go to {name}?", words, "Go", key="g")


def ask_position_number(start: str) -> NumberDialogue:
    """Which position to select; `start` is the digit already typed."""
    return NumberDialogue(
        "Select a position", "The number in the list.", 1, LAST_POSITION, start=start
    )


def ask_count(snapshot: Snapshot) -> NumberDialogue:
    """Which count the display shows for this place from now on."""
    was = "It has no count now." if snapshot.count is None else f"It is {snapshot.count} now."
    return NumberDialogue(
        "Set the count shown here to ...",
        f"{was} Only the count shown here changes; positions and limits kept in the "
        "positioner do not.",
        0,
        MOST_COUNT,
    )
