"""Key presses through a terminal that may be slow and reports no release.

A press may wait in a queue until it is too old to move anything, and a halt makes every press
before it void. Of a key that is held down only the repeats are seen: while they arrive, motion is
granted in pieces that end by themselves; when they stay away, what is left of a piece is cut short.
All times are the host's monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from bridge.bus.command import Side

JOG_STALE_S = 0.25  # s after which a key press is too old to move anything (judgement)
ANSWER_STALE_S = 1.0  # s after which the answer to a question is too old (judgement)
PIECE_S = 1  # s, the bound of one piece of motion (judgement)
RENEW_S = 0.6  # s after which a piece is renewed while key repeats arrive (judgement)
FIRST_REPEAT_S = 0.75  # s that a terminal may take to its first key repeat (common practice)
REPEAT_GAP_S = 0.3  # s without a repeat that mean the key was released (judgement)


class Press(Enum):
    """Whether a key press may still act."""

    FRESH = "fresh"
    STALE = "too old"
    VOID = "from before the last halt"


def judge_press(
    pressed_s: float, *, now_s: float, halted_s: float, stale_s: float = JOG_STALE_S
) -> Press:
    """Whether a press may still act, `halted_s` being the time of the last halt.

    >>> judge_press(10.0, now_s=10.1, halted_s=5.0)
    <Press.FRESH: 'fresh'>
    """
    if pressed_s <= halted_s:
        return Press.VOID
    return Press.STALE if now_s - pressed_s > stale_s else Press.FRESH


class Due(Enum):
    """What a held key asks for next."""

    PIECE = "send a piece of motion"
    HALT = "cut the piece short"
    FORGET = "drop a key that moved nothing"


@dataclass(slots=True)
class HeldKey:
    """One key from its first event on.

    >>> key = HeldKey("west", 10.0)
    >>> key.due(10.0)
    <Due.PIECE: 'send a piece of motion'>
    >>> key.granted_s = 10.0
    >>> key.due(10.5), key.due(10.8)
    (None, <Due.HALT: 'cut the piece short'>)
    """

    side: Side
    last_press_s: float
    repeated: bool = False
    granted_s: float | None = None

    def press(self, pressed_s: float) -> None:
        """Take in another event of the same key."""
        self.last_press_s = pressed_s
        self.repeated = True

    def due(self, now_s: float) -> Due | None:
        """What is to be done now; whoever sends a piece sets `granted_s`."""
        patience_s = REPEAT_GAP_S if self.repeated else FIRST_REPEAT_S
        if now_s - self.last_press_s > patience_s:
            return Due.FORGET if self.granted_s is None else Due.HALT
        if self.granted_s is None or (self.repeated and now_s - self.granted_s >= RENEW_S):
            return Due.PIECE
        return None
