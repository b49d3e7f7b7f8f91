"""A key that is held down, seen through a terminal that reports no release.

Key repeats are all there is: while they arrive, motion is granted in pieces that end by
themselves; when they stay away, what is left of the piece is cut short.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.bus.command import Side

PIECE_S = 1  # s, the bound of one piece of motion
RENEW_S = 0.6  # s after which a piece is renewed while key repeats arrive
FIRST_REPEAT_S = 0.75  # s that a terminal may take to its first key repeat
REPEAT_GAP_S = 0.3  # s without a repeat that mean the key was let go


@dataclass(slots=True)
class HeldKey:
    """One key from its first event on; all times are the host's monotonic clock.

    >>> key = HeldKey("west", 10.0)
    >>> key.due(10.0), key.due(10.5), key.due(10.8)
    ('grant', None, 'halt')
    """

    side: Side
    last_key_s: float
    keys: int = 1
    granted_s: float | None = None

    def press(self, pressed_s: float) -> None:
        """Another event of the same key."""
        self.last_key_s = pressed_s
        self.keys += 1

    def due(self, now_s: float) -> Literal["grant", "halt", "forget"] | None:
        """What is to be done now: send a piece, cut it short, or drop a key that moved nothing."""
        patience_s = FIRST_REPEAT_S if self.keys == 1 else REPEAT_GAP_S
        if now_s - self.last_key_s > patience_s:
            return "forget" if self.granted_s is None else "halt"
        if self.granted_s is None or (self.keys > 1 and now_s - self.granted_s >= RENEW_S):
            self.granted_s = now_s
            return "grant"
        return None
