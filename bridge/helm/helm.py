"""The one thread that owns the port: takes orders, keeps the lease, publishes what it sees.

Every public method returns at once and may be called from any thread. `halt` writes the stop to
the port in the caller's own thread, so that neither a busy screen nor a queue can delay it. The
helm watches the screen's heartbeat and halts a moving dish when the screen falls silent; behind
it the adapter's lease does the same to the helm.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from bridge.bus.command import (
    Command,
    Drive,
    Goto,
    Halt,
    Limits,
    SetLimit,
    Side,
    Store,
    command_of,
    frame_of,
)
from bridge.bus.words import parse_words
from bridge.errors import ArcstepError, LinkError
from bridge.helm.orders import AdapterOrder, FrameOrder, Orders
from bridge.helm.readings import Point
from bridge.helm.snapshot import Activity, Hemisphere, PositionRow, Scale, Snapshot
from bridge.helm.state import State
from bridge.helm.supervisor import Supervisor
from bridge.link.client import Adapter
from bridge.log.buffer import LogBuffer
from bridge.log.record import Kind, LogEvent, Record

POLL_S = 0.05  # s between looks at the adapter; each feeds the lease (judgement)
REOPEN_S = 1.0  # s between attempts to open a lost port (judgement)
JOIN_S = 2.0  # s to wait for the thread on closing; a frame takes 0.1 s (judgement)
HIGHEST_POSITION = 255  # the bus carries one byte (Positioner Application Note, memory)

_HALT = frame_of(Halt()).build()


class Helm:
    """Drives one adapter for one person; `clock` is the host's monotonic clock in s.

    Without `start`, whoever owns the helm calls `step` in place of the thread.
    """

    def __init__(
        self,
        open_adapter: Callable[[], Adapter],
        *,
        port: str,
        live: bool,
        positions: Sequence[PositionRow] = (),
        span: tuple[int, int] = (0, 1000),
        hemisphere: Hemisphere = "north",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._open_adapter = open_adapter
        self._span = span
        self._hemisphere: Hemisphere = hemisphere
        self._clock = clock
        self._log = LogBuffer(clock)
        self._state = State(Snapshot(live, port, positions=tuple(positions)), self._log)
        self._orders = Orders(clock)
        self._supervisor = Supervisor(self._state, self._orders, self.halt, clock)
        self._adapter: Adapter | None = None
        self._due_s = float("-inf")  # of the next look, or of the next attempt to open
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="helm", daemon=True)

    def start(self) -> Helm:
        """Open the port in the helm's own thread; the snapshot shows how that went."""
        self._thread.start()
        return self

    # what is seen

    def snapshot(self) -> Snapshot:
        """Everything on the screen, as it is now."""
        return self._state.snapshot

    def log_since(self, seq: int) -> list[Record]:
        """Records of the log after number `seq`, oldest first."""
        return self._log.since(seq)

    def history(self) -> list[Point]:
        """(time, signal in dB, motor current in A) of the last minute, oldest first."""
        return self._supervisor.history.points()

    def scale(self) -> Scale:
        """The travel in counts, as far as it is known."""
        now = self._state.snapshot
        return Scale(
            *self._span,
            self._hemisphere,
            now.east_end,
            now.west_end,
            now.limit_east,
            now.limit_west,
            now.positions,
        )

    def beat(self) -> None:
        """The screen lives; from its first beat on, its silence halts a moving dish."""
        self._supervisor.beat_s = self._clock()

    # what is ordered

    def halt(self, cause: str = "SPACE") -> None:
        """Stop the motor now, and forget everything that was waiting."""
        self._orders.halt()
        self._supervisor.motion.forget_bound()
        self._supervisor.outcome.halt()
        self._state.update(lambda now: replace(now, confirm=""))
        adapter = self._adapter
        if adapter is not None:
            try:
                adapter.stop()
            except LinkError as error:
                self._log.add(Record(Kind.ERROR, LogEvent.HALT_FAILED, detail=str(error)))
                return
        self._log.add(Record(Kind.SENT, LogEvent.HALT, frame=_HALT, detail=cause))

    def jog(self, side: Side, pressed_s: float) -> None:
        """One count; a press that finds another waiting is dropped, and so is a stale one."""
        self._orders.jog(side, pressed_s)

    def hold(self, side: Side, pressed_s: float) -> None:
        """Move while key repeats arrive, in pieces that end by themselves."""
        self._orders.hold(side, pressed_s)

    def drive(self, side: Side, *, counts: int | None = None, seconds: int | None = None) -> None:
        """Drive to one side, bounded by counts (1-128) or by seconds (1-127)."""
        self._command(Drive(side, counts, seconds))

    def set_limit(self, side: Side) -> None:
        """Set a soft limit where the dish stands; both limits are on afterwards."""
        self._command(SetLimit(side))

    def limits(self, on: bool) -> None:
        """Switch the soft limits on or off."""
        self._command(Limits(on))

    def store(self, number: int) -> None:
        """Store where the dish stands as position 1-255."""
        self._command(Store(number))

    def goto(self, number: int) -> None:
        """Go to a stored position; 0 is the reference."""
        self._command(Goto(number))

    def order(self, words: str, *, confirmed: bool = False) -> None:
        """Any command words of the standard, through the guard; `confirmed`: given twice."""
        try:
            frame = parse_words(words.split())
        except ArcstepError as error:
            self._state.refuse(str(error))
            return
        if isinstance(command_of(frame), Halt):
            self.halt("command")
        else:
            self._orders.put(FrameOrder(frame, words, confirmed=confirmed))

    def select(self, number: int) -> None:
        """Choose a position of the list, 1-255."""
        chosen = min(max(number, 1), HIGHEST_POSITION)
        self._state.update(lambda now: replace(now, selected=chosen))

    def set_supply(self, volts: int) -> None:
        """Switch the supply to 0, 13 or 18 V."""
        record = Record(Kind.NOTE, LogEvent.SUPPLY, detail=f"{volts} V")
        self._orders.put(AdapterOrder(lambda adapter: adapter.supply(volts), record))

    def set_tone(self, on: bool) -> None:
        """Switch the continuous tone."""
        record = Record(Kind.NOTE, LogEvent.TONE, detail="on" if on else "off")
        self._orders.put(AdapterOrder(lambda adapter: adapter.tone(on), record))

    def call_count(self, count: int) -> None:
        """Call this place `count`: the adapter's tally goes on from there."""
        now = self._state.snapshot
        if now.moving:
            self._state.refuse(f"driving {now.moving}; halt and let it come to rest first")
            return

        def apply(adapter: Adapter) -> None:
            adapter.tally(count)
            # What was seen in the old count no longer holds in the new one.
            self._state.update(
                lambda now: replace(
                    now, east_end=None, west_end=None, best_db=None, best_count=None
                )
            )

        record = Record(Kind.NOTE, LogEvent.RECOUNT, old_count=now.count, new_count=count)
        self._orders.put(AdapterOrder(apply, record))

    def reset_best(self) -> None:
        """Forget the best signal seen so far."""
        self._state.update(lambda now: replace(now, best_db=None, best_count=None))

    def acknowledge(self) -> None:
        """The person has read the cautions; only now may anything move."""
        self._state.update(lambda now: replace(now, acknowledged=True))
        self._log.add(Record(Kind.NOTE, LogEvent.ACKNOWLEDGED))

    def close(self) -> None:
        """Halt, let go of the port, and end the thread; safe to call more than once."""
        if self._closing.is_set():
            return
        self.halt("closing")
        self._closing.set()
        if self._thread.ident is not None and self._thread is not threading.current_thread():
            self._thread.join(JOIN_S)
        adapter, self._adapter = self._adapter, None
        if adapter is not None:
            adapter.close()
        self._state.update(
            lambda now: replace(now, link="closed", moving=None, activity=Activity.CLOSED)
        )

    def _command(self, command: Command) -> None:
        try:
            self._orders.put(FrameOrder(frame_of(command)))
        except ArcstepError as error:
            self._state.refuse(str(error))

    # the thread

    def _run(self) -> None:
        while not self._closing.is_set():
            self.step()
            self._rest()

    def _rest(self) -> None:
        """Wait for an order or the next look; without a port, for the next attempt to open it."""
        if self._adapter is None:
            self._closing.wait(self._due_s - self._clock())
        else:
            self._orders.wait(self._due_s)

    def step(self) -> None:
        """One turn: an order that waits, then a look if one is due; or the port, if it is lost."""
        adapter = self._adapter
        if adapter is None:
            if self._clock() >= self._due_s:
                self._open()
            return
        try:
            if order := self._orders.take():
                self._supervisor.carry_out(adapter, order)
            if self._clock() >= self._due_s:
                self._supervisor.look(adapter)
                self._due_s = self._clock() + POLL_S
        except ArcstepError as error:  # whatever it is, the thread must live on
            self._lose(error)

    def _open(self) -> None:
        try:
            adapter = self._open_adapter()
        except ArcstepError as failure:
            error = str(failure)
            if error != self._state.snapshot.error:  # one line of the log for each reason
                self._log.add(Record(Kind.ERROR, detail=error))
            self._show_lost(error)
            self._due_s = self._clock() + REOPEN_S
            return
        if self._closing.is_set():
            adapter.close()
            return
        self._adapter = adapter
        greeting = adapter.greeting
        self._state.update(
            lambda now: replace(
                now,
                link="open",
                error="",
                confirm="",
                capabilities=frozenset(greeting.capabilities),
            )
        )
        detail = f"{greeting.firmware} on {self._state.snapshot.port}"
        self._log.add(Record(Kind.NOTE, LogEvent.CONNECTED, detail=detail))

    def _lose(self, error: ArcstepError) -> None:
        self._orders.halt()
        self._supervisor.motion.forget_bound()
        adapter, self._adapter = self._adapter, None
        if adapter is not None:
            with contextlib.suppress(LinkError):  # it is gone already; the first error says so
                adapter.close()
        self._log.add(Record(Kind.ERROR, LogEvent.LINK_LOST, detail=str(error)))
        self._show_lost(str(error))
        self._due_s = self._clock()

    def _show_lost(self, error: str) -> None:
        self._state.update(
            lambda now: replace(
                now,
                link="lost",
                error=error,
                confirm="",
                moving=None,
                activity=Activity.NO_LINK,
                motor_v=None,
                motor_a=None,
                signal_db=None,
            )
        )
