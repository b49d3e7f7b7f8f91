"""The coax between the simulated adapter and the dish: all that happens on it takes its real time.

    frame | quiet | supply | quiet | frame | quiet | reply | quiet          quiet: 15 ms at least

Tasks follow one another in the order of their requests. A frame takes 13.5 ms a byte, and
the dish hears it when its last byte has ended. Continuous tone is off around a frame or burst.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from bridge.bus.standard import BURST_S, BYTE_S, END_OF_MESSAGE_S, QUIET_S, SUPPLY_LOW_V

if TYPE_CHECKING:
    from sim.rig.dish import Dish

BOOT_SUPPLY_V = SUPPLY_LOW_V  # V on the coax after a start (judgement)
REPLY_DELAY_S = QUIET_S  # s from the end of a command to its reply (judgement; 150 ms at most)
Kind = Literal["frame", "burst", "supply", "tone"]


@dataclass(frozen=True, slots=True)
class CableTask:
    """A request for the coax; `ticket` identifies it in `Completed`."""

    kind: Kind
    ticket: int
    data: bytes = b""
    listen_s: float = 0.0
    value: int = 0
    not_before_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Completed:
    """A task that is over, begun at `start_s`; ticket None: a reply that nobody awaited."""

    ticket: int | None
    start_s: float
    data: bytes = b""
    reply: bytes | None = None


@dataclass(slots=True)
class _Transmitting:
    """A frame or burst on the coax, until `end_s`."""

    task: CableTask
    start_s: float
    end_s: float


@dataclass(slots=True)
class _AwaitingReply:
    """After a frame: until the reply has been heard or the wait for one is over."""

    task: CableTask
    start_s: float
    until_s: float
    free_s: float
    reply: bytes | None
    reply_s: float


class Cable:
    """Tasks in, completed ones out; advances the dish."""

    def __init__(self, dish: Dish) -> None:
        self.dish = dish
        self.supply_v = BOOT_SUPPLY_V
        self.tone = False  # as requested; it is off for a moment around a frame
        self._tone_on = False
        self._queue: deque[CableTask] = deque()
        self._busy: _Transmitting | _AwaitingReply | None = None
        self._free_s = dish.time_s
        dish.set_supply(BOOT_SUPPLY_V)

    def enqueue(self, task: CableTask) -> None:
        """Request a task after all earlier ones."""
        self._queue.append(task)

    def discard_pending(self, now_s: float) -> set[int]:
        """Drop what has not begun, and end a wait for a reply that has not begun.

        Returns the tickets of what was dropped.
        """
        dropped = {task.ticket for task in self._queue}
        self._queue.clear()
        busy = self._busy
        if isinstance(busy, _AwaitingReply) and busy.reply is None:
            busy.until_s = now_s
            busy.free_s = max(now_s, self._free_s)
        return dropped

    def next_s(self) -> float | None:
        """When the next thing happens on the coax by itself; None for never."""
        if isinstance(self._busy, _Transmitting):
            return self._busy.end_s
        if isinstance(self._busy, _AwaitingReply):
            return self._busy.until_s
        if self._queue:
            return max(self._free_s, self._queue[0].not_before_s, self.dish.time_s)
        if self.tone != self._tone_on:
            return max(self._free_s, self.dish.time_s)
        return None

    def advance(self, to_s: float) -> list[Completed]:
        """Advance to `to_s`; what was completed by then, in order."""
        completed: list[Completed] = []
        while (at_s := self.next_s()) is not None and at_s <= to_s:
            self.dish.advance(at_s)
            self._step(at_s, completed)
        self.dish.advance(max(to_s, self.dish.time_s))
        return completed

    def _step(self, at_s: float, completed: list[Completed]) -> None:
        match self._busy:
            case _Transmitting() as transmitting:
                self._end(transmitting, completed)
            case _AwaitingReply() as waiting:
                self._busy = None
                self._free_s = waiting.free_s
                if waiting.task.listen_s:
                    completed.append(
                        Completed(
                            waiting.task.ticket,
                            waiting.start_s,
                            waiting.task.data,
                            waiting.reply,
                        )
                    )
                elif waiting.reply:
                    completed.append(Completed(None, waiting.reply_s, waiting.reply))
            case None:
                self._begin(at_s, completed)

    def _begin(self, at_s: float, completed: list[Completed]) -> None:
        """Begin the next task, or switch the continuous tone before it."""
        keyed = bool(self._queue) and self._queue[0].kind in ("frame", "burst")
        wanted = self.tone and not keyed
        if wanted != self._tone_on:
            self._tone_on = wanted
            self.dish.set_tone(wanted)
            self._free_s = at_s + QUIET_S
            return
        task = self._queue.popleft()
        match task.kind:
            case "frame":
                self._busy = _Transmitting(task, at_s, at_s + len(task.data) * BYTE_S)
            case "burst":
                self._busy = _Transmitting(task, at_s, at_s + BURST_S)
            case "supply":
                self.supply_v = task.value
                self.dish.set_supply(task.value)
                self._free_s = at_s + QUIET_S
                completed.append(Completed(task.ticket, at_s))
            case "tone":
                self.tone = bool(task.value)
                completed.append(Completed(task.ticket, at_s))

    def _end(self, transmitting: _Transmitting, completed: list[Completed]) -> None:
        """The last byte has ended: the dish has heard the frame and may answer."""
        task, end_s = transmitting.task, transmitting.end_s
        self._busy = None
        self._free_s = end_s + QUIET_S
        if task.kind == "burst":
            completed.append(Completed(task.ticket, transmitting.start_s))
            return
        reply = self.dish.hear(task.data)
        if not task.listen_s:
            completed.append(Completed(task.ticket, transmitting.start_s, task.data))
        if reply:
            reply_s = end_s + REPLY_DELAY_S
            over_s = reply_s + len(reply) * BYTE_S
            self._busy = _AwaitingReply(
                task,
                transmitting.start_s,
                over_s + END_OF_MESSAGE_S,
                over_s + QUIET_S,
                reply,
                reply_s,
            )
        elif task.listen_s:
            until_s = end_s + task.listen_s
            free_s = max(until_s, self._free_s)
            self._busy = _AwaitingReply(task, transmitting.start_s, until_s, free_s, None, until_s)
