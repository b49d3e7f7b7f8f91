"""What waits to be done at the helm, and what may no longer be done.

Held keys come first, then a jog, then the rest in turn. A halt empties everything, and key
presses from before it, or too old, move nothing afterwards.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from bridge.bus.command import Drive, Halt, Side, frame_of
from bridge.bus.frame import Frame
from bridge.helm.stale_key import PIECE_S, Due, HeldKey, Press, judge_press
from bridge.link.client import Adapter
from bridge.log.record import Record


@dataclass(frozen=True, slots=True)
class FrameOrder:
    """A frame for the bus.

    `words` are those it was given in, where it was: with `confirmed` they were given twice. `cause`
    goes into the log. `pressed_s` is set where a key press asked for it, which may grow stale.
    `halts` is the number of halts before it, filled in by the queue.
    """

    frame: Frame
    words: str = ""
    confirmed: bool = False
    cause: str = ""
    pressed_s: float | None = None
    halts: int = 0


@dataclass(frozen=True, slots=True)
class AdapterOrder:
    """A change of the adapter itself, such as its supply, and the record of it."""

    apply: Callable[[Adapter], None]
    record: Record


Order = FrameOrder | AdapterOrder


class Orders:
    """The queue between whoever orders and the helm's thread; every method is thread-safe."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wake = threading.Condition()
        self._waiting: deque[Order] = deque()
        self._jog: FrameOrder | None = None
        self._held: HeldKey | None = None
        self._halted_s = float("-inf")
        self._halts = 0

    @property
    def halts(self) -> int:
        """How many halts there were; an order carried across one is void."""
        return self._halts

    def put(self, order: Order) -> None:
        """Add an order behind the others."""
        with self._wake:
            if isinstance(order, FrameOrder):
                order = replace(order, halts=self._halts)
            self._waiting.append(order)
            self._wake.notify()

    def jog(self, side: Side, pressed_s: float) -> None:
        """One count; dropped where another waits already."""
        with self._wake:
            if self._jog is None and self.fresh(pressed_s):
                frame = frame_of(Drive(side, counts=1))
                self._jog = FrameOrder(frame, pressed_s=pressed_s, halts=self._halts)
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
            self._halted_s = self._clock()
            self._halts += 1

    def release_key(self) -> None:
        """Forget the held key: what it ordered was refused."""
        with self._wake:
            self._held = None

    def fresh(self, pressed_s: float) -> bool:
        """Whether a key press is neither old nor from before the last halt."""
        press = judge_press(pressed_s, now_s=self._clock(), halted_s=self._halted_s)
        return press is Press.FRESH

    def wait(self, until_s: float) -> None:
        """Return when there is something to take, and at `until_s` at the latest."""
        with self._wake:
            now_s = self._clock()
            waits = self._waiting or self._jog or (self._held and self._held.due(now_s))
            if not waits:
                self._wake.wait(until_s - now_s)

    def take(self) -> Order | None:
        """The next order, None where nothing is due."""
        with self._wake:
            if piece := self._held_piece(self._clock()):
                return piece
            if self._jog is not None:
                jog, self._jog = self._jog, None
                return jog
            return self._waiting.popleft() if self._waiting else None

    def _held_piece(self, now_s: float) -> FrameOrder | None:
        held = self._held
        if held is None:
            return None
        match held.due(now_s):
            case None:
                return None
            case Due.PIECE:
                held.granted_s = now_s
                frame = frame_of(Drive(held.side, seconds=PIECE_S))
                return FrameOrder(frame, halts=self._halts)
            case Due.HALT:
                self._held = None
                return FrameOrder(frame_of(Halt()), cause="key released", halts=self._halts)
            case Due.FORGET:
                self._held = None
                return None
