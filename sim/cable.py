"""The cable between the simulated adapter and the dish: every act takes its real time on it.

    act | quiet | act | quiet | reply | quiet | act          quiet: 15 ms at least

Acts pass one after another, in the order they were asked for. A frame takes 13.5 ms an byte and
is heard by the dish when its last byte has ended; continuous tone is taken off the cable before
a frame or burst and put back behind it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from bridge.bus.standard import BURST_S, BYTE_S, END_OF_MESSAGE_S, QUIET_S

if TYPE_CHECKING:
    from sim.rig.dish import Dish

BOOT_SUPPLY_V = 13  # V on the cable before anybody asked for another
REPLY_DELAY_S = QUIET_S  # s from the end of a command to its reply; a choice, 150 ms at most


@dataclass(slots=True)
class Act:
    """Something to happen on the cable; `ticket` tells whoever asked that it did."""

    kind: Literal["frame", "burst", "supply", "tone"]
    ticket: int
    data: bytes = b""
    listen_s: float = 0.0
    value: int = 0
    not_before_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Passed:
    """An act that has passed, begun at `start_s`; ticket None: a frame the dish sent unasked."""

    ticket: int | None
    start_s: float
    data: bytes = b""
    reply: bytes | None = None


@dataclass(slots=True)
class _Keying:
    """A frame or burst on the cable, until `end_s`."""

    act: Act
    start_s: float
    end_s: float


@dataclass(slots=True)
class _Listening:
    """After a frame: until the reply has been heard or the wait for one is over."""

    act: Act
    start_s: float
    until_s: float
    free_s: float
    reply: bytes | None
    reply_s: float


class Coax:
    """Acts in, what passed out; owns the time of the dish."""

    def __init__(self, dish: Dish) -> None:
        self.dish = dish
        self.supply_v = BOOT_SUPPLY_V
        self.tone = False  # what is wanted; off the cable for a moment around a frame
        self._tone_on = False
        self._queue: deque[Act] = deque()
        self._busy: _Keying | _Listening | None = None
        self._free_s = dish.time_s
        dish.set_supply(BOOT_SUPPLY_V)

    def put(self, act: Act) -> None:
        """Ask for an act after all that was asked for before."""
        self._queue.append(act)

    def clear(self, now_s: float) -> set[int]:
        """Drop what has not begun and end a wait for a reply that has not begun; the tickets."""
        dropped = {act.ticket for act in self._queue}
        self._queue.clear()
        busy = self._busy
        if isinstance(busy, _Listening) and busy.reply is None:
            busy.until_s = now_s
            busy.free_s = max(now_s, self._free_s)
        return dropped

    def next_s(self) -> float | None:
        """When something happens next on the cable by itself."""
        if isinstance(self._busy, _Keying):
            return self._busy.end_s
        if isinstance(self._busy, _Listening):
            return self._busy.until_s
        if self._queue:
            return max(self._free_s, self._queue[0].not_before_s, self.dish.time_s)
        if self.tone != self._tone_on:
            return max(self._free_s, self.dish.time_s)
        return None

    def advance(self, to_s: float) -> list[Passed]:
        """Let time go on to `to_s`; what passed on the way, in order."""
        passed: list[Passed] = []
        while (at_s := self.next_s()) is not None and at_s <= to_s:
            self.dish.advance(at_s)
            self._step(at_s, passed)
        self.dish.advance(max(to_s, self.dish.time_s))
        return passed

    def _step(self, at_s: float, passed: list[Passed]) -> None:
        match self._busy:
            case _Keying() as keying:
                self._end(keying, passed)
            case _Listening() as listening:
                self._busy = None
                self._free_s = listening.free_s
                if listening.act.listen_s:
                    passed.append(
                        Passed(
                            listening.act.ticket,
                            listening.start_s,
                            listening.act.data,
                            listening.reply,
                        )
                    )
                elif listening.reply:
                    passed.append(Passed(None, listening.reply_s, listening.reply))
            case None:
                self._begin(at_s, passed)

    def _begin(self, at_s: float, passed: list[Passed]) -> None:
        """Begin the next act, or see to the continuous tone first."""
        keyed = bool(self._queue) and self._queue[0].kind in ("frame", "burst")
        wanted = self.tone and not keyed
        if wanted != self._tone_on:
            self._tone_on = wanted
            self.dish.set_tone(wanted)
            self._free_s = at_s + QUIET_S
            return
        act = self._queue.popleft()
        match act.kind:
            case "frame":
                self._busy = _Keying(act, at_s, at_s + len(act.data) * BYTE_S)
            case "burst":
                self._busy = _Keying(act, at_s, at_s + BURST_S)
            case "supply":
                self.supply_v = act.value
                self.dish.set_supply(act.value)
                self._free_s = at_s + QUIET_S
                passed.append(Passed(act.ticket, at_s))
            case "tone":
                self.tone = bool(act.value)
                passed.append(Passed(act.ticket, at_s))

    def _end(self, keying: _Keying, passed: list[Passed]) -> None:
        """The last byte has ended: the dish has heard the frame and may answer."""
        act, end_s = keying.act, keying.end_s
        self._busy = None
        self._free_s = end_s + QUIET_S
        if act.kind == "burst":
            passed.append(Passed(act.ticket, keying.start_s))
            return
        reply = self.dish.hear(act.data)
        if not act.listen_s:
            passed.append(Passed(act.ticket, keying.start_s, act.data))
        if reply:
            reply_s = end_s + REPLY_DELAY_S
            over_s = reply_s + len(reply) * BYTE_S
            self._busy = _Listening(
                act,
                keying.start_s,
                over_s + END_OF_MESSAGE_S,
                over_s + QUIET_S,
                reply,
                reply_s,
            )
        elif act.listen_s:
            until_s = end_s + act.listen_s
            free_s = max(until_s, self._free_s)
            self._busy = _Listening(act, keying.start_s, until_s, free_s, None, until_s)
