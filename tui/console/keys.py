"""The keys of the console, in one table: what each does, in words for help and palette.

Letters come from the words: e east, w west, d drive, l limits, s store, g go. Capitals move while
they are held. The arrow keys follow the picture, so they change sides with the hemisphere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from tui.console.travel_ends import left_side, other

if TYPE_CHECKING:
    from bridge.bus.command import Side

Group = Literal["Always", "Move", "Limits and positions", "Signal and supply", "Screen"]
Action = Literal[
    "help", "leave", "drive", "limits", "previous", "next", "store", "goto", "count", "mark",
    "supply", "tone", "command", "frames", "positions", "save_log",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class KeyMove:
    """One count to a side, or motion to it as long as the key is held."""

    side: Side
    held: bool = False


@dataclass(frozen=True, slots=True)
class Key:
    """Some keys that do one thing."""

    keys: tuple[str, ...]
    action: Action | KeyMove | None
    shown: str
    words: str
    group: Group


KEYS: tuple[Key, ...] = (
    Key((), None, "SPACE", "halt at once, from anywhere, also in dialogues and lists", "Always"),
    Key(("f1", "question_mark"), "help", "F1 ?", "explain what has the focus; all keys", "Always"),
    Key(("q",), "leave", "q", "leave; the motor is halted first", "Always"),
    Key(("e",), KeyMove("east"), "e", "one count east", "Move"),
    Key(("w",), KeyMove("west"), "w", "one count west", "Move"),
    Key(
        ("E",),
        KeyMove("east", held=True),
        "E",
        "move east while held, 1 s at a time at most",
        "Move",
    ),
    Key(
        ("W",),
        KeyMove("west", held=True),
        "W",
        "move west while held, 1 s at a time at most",
        "Move",
    ),
    Key(("left", "right"), None, "← →", "one count left or right; with shift, while held", "Move"),
    Key(("d",), "drive", "d", "drive by counts or seconds", "Move"),
    Key(
        ("l",), "limits", "l", "soft limits: set east or west here, on, off", "Limits and positions"
    ),
    Key(("up",), "previous", "↑", "select the position before", "Limits and positions"),
    Key(("down",), "next", "↓", "select the position after", "Limits and positions"),
    Key((), None, "1-9", "select a position by number", "Limits and positions"),
    Key(("s",), "store", "s", "store this place under the selected number", "Limits and positions"),
    Key(("g",), "goto", "g", "go to the selected position", "Limits and positions"),
    Key(("c",), "count", "c", "set the count shown here to N", "Limits and positions"),
    Key(("m",), "mark", "m", "clear the best-signal mark", "Signal and supply"),
    Key(("v",), "supply", "v", "supply 13 V or 18 V", "Signal and supply"),
    Key(("t",), "tone", "t", "continuous tone on or off", "Signal and supply"),
    Key(("colon", "slash"), "command", ":", "command words, such as goto 7", "Screen"),
    Key(("f",), "frames", "f", "the log of frames; f again comes back", "Screen"),
    Key(("p",), "positions", "p", "the list of positions; p again comes back", "Screen"),
    Key(("o",), "save_log", "o", "save the log to a file", "Screen"),
)

_ACTIONS = {key: entry.action for entry in KEYS for key in entry.keys if entry.action is not None}
GROUPS: tuple[Group, ...] = (
    "Always",
    "Move",
    "Limits and positions",
    "Signal and supply",
    "Screen",
)


def action_of(key: str, hemisphere: str) -> Action | KeyMove | None:
    """The action of a key as the terminal names it.

    >>> action_of("l", "north"), action_of("left", "north"), action_of("shift+left", "south")
    ('limits', KeyMove(side='east', held=False), KeyMove(side='west', held=True))
    """
    if key in ("left", "right", "shift+left", "shift+right"):
        side = left_side(hemisphere)
        if key.endswith("right"):
            side = other(side)
        return KeyMove(side, held=key.startswith("shift"))
    if key in ("shift+e", "shift+w"):  # terminals with the extended key protocol
        key = key[-1].upper()
    return _ACTIONS.get(key)
