"""What waits to be done at the helm, and what may no longer be done.

Held keys come first, then a jog, then the rest in turn. A halt empties everything, and key
presses from before it, or too old, move nothing afterwards.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from bridge.bus.command import Drive, Halt, Side, frame_of
from bridge.bus.frame import Frame
from bridge.helm.held_key import PIECE_S, HeldKey
from bridge.link.client import Adapter

STALE_S = 0.25  # s after which a key press is too old to move anything


@dataclass(frozen=True, slots=True)
class Order:
    """Something for the helm's thread to do: a frame, or a deed on the adapter itself."""

    frame: Frame | None = None
    deed: Callable[[Adapter], None] | None = None
    says: str = ""
    asked_twice: bool = False
    pressed_s: float | None = None


class Orders:
    """The queue between whoever asks and the helm's thread; every method is thread-safe."""

    def __init__(self) -> None:
        self._wake = threading.Condition()
        self._waiting: deque[Order] = deque()
        self._jog: Order | None = None
        self._held: HeldKey | None = None
        self._halted_s = float("-inf")
        self._closed = False
        self.halts = 0  # grows with each halt: an order carried across one is void

    def put(self, order: Order) -> None:
        with self._wake:
            self._waiting.append(order)
            self._wake.notify()

    def jog(self, side: Side, pressed_s: float) -> None:
        """One count; dropped where another waits already."""
        with self._wake:
            if self._jog is None and self.fresh(pressed_s):
                self._jog = Order(frame_of(Drive(side, counts=1)), pressed_s=pressed_s)
                self._wake.notify()

    def hold(self, side: Side, pressed_s: float) -> None:
        """One event of a key that is held down."""
        with self._wake:
            if not self.fresh(pressed_s):
                return
            if self._held is None or self._held.side != side:
                self._held = HeldKey(side, pressed_s)
            else:
                self._held.press(pressed_s)
            self._wake.notify()

    def halt(self) -> None:
        """Forget everything that waits."""
        with self._wake:
            self._waiting.clear()
            self._jog = self._held = None
            self._halted_s = time.monotonic()
            self.halts += 1

    def let_go(self) -> None:
        """Forget the held key: what it asked for was refused."""
        with self._wake:
            self._held = None

    def close(self) -> None:
        with self._wake:
            self._closed = True
            self._wake.notify_all()

    def fresh(self, pressed_s: float) -> bool:
        """A key press that is neither old nor from before the last halt."""
        return time.monotonic() - pressed_s <= STALE_S and pressed_s > self._halted_s

    def next(self, until_s: float) -> Order | None:
        """The next order, or None at `until_s` (monotonic) or when closed."""
        with self._wake:
            while not self._closed:
                now_s = time.monotonic()
                if order := self._held_piece(now_s) or self._take():
                    return order
                if now_s >= until_s:
                    return None
                self._wake.wait(until_s - now_s)
            return None

    def _take(self) -> Order | None:
        if self._jog is not None:
            order, self._jog = self._jog, None
            return order
        return self._waiting.popleft() if self._waiting else None

    def _held_piece(self, now_s: float) -> Order | None:
        due = self._held.due(now_s) if self._held else None
        if self._held is None or due is None:
            return None
        if due == "grant":
            return Order(frame_of(Drive(self._held.side, seconds=PIECE_S)))
        self._held = None
        return Order(frame_of(Halt()), says="key let go") if due == "halt" else None
