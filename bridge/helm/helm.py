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
from bridge.bus.frame import Frame
from bridge.bus.meaning import meaning_of
from bridge.bus.words import parse_words
from bridge.diagnosis import MotionWatch, Standstill, explain
from bridge.errors import ArcstepError, LinkError, LinkLost, Refused
from bridge.guard import Situation, permit
from bridge.helm.adapter_events import News
from bridge.helm.belief import after, bound_words
from bridge.helm.history import History, Point
from bridge.helm.orders import Order, Orders
from bridge.helm.outcome import Arrival, recount_words
from bridge.helm.readings import readings
from bridge.helm.snapshot import Hemisphere, LogLine, PositionRow, Scale, Snapshot
from bridge.link.client import Adapter
from bridge.link.status import Status
from bridge.log.buffer import Logbook

POLL_S = 0.05  # s between looks at the adapter; each feeds the lease
REOPEN_S = 1.0  # s between tries to open a lost port
COAST_S = 0.7  # s after the last pulse in which the dish is said to coast
SCREEN_SILENCE_S = 2.0  # s without a heartbeat of the screen before a moving dish is halted


class Helm:
    """Drives one adapter for one person."""

    def __init__(
        self,
        open_adapter: Callable[[], Adapter],
        *,
        port: str,
        live: bool,
        positions: Sequence[PositionRow] = (),
        span: tuple[int, int] = (0, 1000),
        hemisphere: Hemisphere = "north",
    ) -> None:
        self._open_adapter = open_adapter
        self._span = span
        self._hemisphere: Hemisphere = hemisphere
        self._lock = threading.Lock()
        self._orders = Orders()
        self._adapter: Adapter | None = None
        self._snapshot = Snapshot(time.monotonic(), live, port, positions=tuple(positions))
        self._log = Logbook()
        self._news = News(self._log)
        self._history = History()
        self._watch = MotionWatch()
        self._arrival = Arrival()
        self._last_side: Side | None = None
        self._last_motion_s = float("-inf")
        self._bound_until_s: float | None = None
        self._bound_says = ""
        self._beat_s: float | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="helm", daemon=True)

    def start(self) -> Helm:
        """Open the port in the helm's own thread; the snapshot tells how that went."""
        self._thread.start()
        return self

    # what is seen

    def snapshot(self) -> Snapshot:
        return self._snapshot

    def log_since(self, seq: int) -> list[LogLine]:
        """Log lines after number `seq`, oldest first."""
        return self._log.since(seq)

    def history(self) -> list[Point]:
        """(time, signal in dB, motor current in A) of the last minute, oldest first."""
        return self._history.points()

    def scale(self) -> Scale:
        now = self._snapshot
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
        self._beat_s = time.monotonic()

    # what is ordered

    def halt(self, why: str = "SPACE") -> None:
        """Stop the motor now, and forget everything that was waiting."""
        self._orders.halt()
        self._bound_until_s = None
        adapter = self._adapter
        if adapter is not None:
            try:
                adapter.stop()
            except LinkError as error:
                self._log.say("error", f"Halt could not be sent: {error}")
                return
        self._log.say("sent", f"Halt ({why})", frame_of(Halt()).hex)

    def jog(self, side: Side, pressed_s: float) -> None:
        """One count; a press that finds another waiting is dropped, and so is a stale one."""
        self._orders.jog(side, pressed_s)

    def hold(self, side: Side, pressed_s: float) -> None:
        """Move while key repeats arrive, in pieces that end by themselves."""
        self._orders.hold(side, pressed_s)

    def drive(self, side: Side, *, counts: int | None = None, seconds: int | None = None) -> None:
        self._command(Drive(side, counts, seconds))

    def set_limit(self, side: Side) -> None:
        self._command(SetLimit(side))

    def limits(self, on: bool) -> None:
        self._command(Limits(on))

    def store(self, number: int) -> None:
        self._command(Store(number))

    def goto(self, number: int) -> None:
        self._command(Goto(number))

    def order(self, words: str, *, asked_twice: bool = False) -> None:
        """Any command words of the standard, through the guard."""
        try:
            frame = parse_words(words.split())
        except ArcstepError as error:
            self._refuse(str(error))
            return
        if isinstance(command_of(frame), Halt):
            self.halt("command")
        else:
            self._orders.put(Order(frame, asked_twice=asked_twice))

    def select(self, number: int) -> None:
        self._update(selected=min(max(number, 1), 255))

    def set_supply(self, volts: int) -> None:
        self._deed(lambda adapter: adapter.supply(volts), f"Supply {volts} V")

    def set_tone(self, on: bool) -> None:
        self._deed(lambda adapter: adapter.tone(on), f"Continuous tone {'on' if on else 'off'}")

    def call_count(self, count: int) -> None:
        """Call this place `count`: the adapter's tally goes on from there."""
        now = self._snapshot
        if now.moving:
            self._refuse(f"driving {now.moving}; halt and let it come to rest first")
            return

        def deed(adapter: Adapter) -> None:
            adapter.tally(count)
            # What was seen in the old count no longer holds in the new one.
            self._update(east_end=None, west_end=None, best_db=None, best_count=None)

        self._deed(deed, recount_words(count, now.count))

    def reset_best(self) -> None:
        self._update(best_db=None, best_count=None)

    def acknowledge(self) -> None:
        self._update(acknowledged=True)
        self._log.say("note", "Cautions acknowledged")

    def close(self) -> None:
        """Halt, let go of the port, and end the thread; safe to call more than once."""
        if self._closing.is_set():
            return
        self.halt("closing")
        self._closing.set()
        self._orders.close()
        if self._thread.ident is not None and self._thread is not threading.current_thread():
            self._thread.join(2.0)
        adapter, self._adapter = self._adapter, None
        if adapter is not None:
            adapter.close()
        self._update(link="closed", moving=None, state="closed")

    # inside

    def _command(self, command: Command) -> None:
        try:
            self._orders.put(Order(frame_of(command)))
        except ArcstepError as error:
            self._refuse(str(error))

    def _deed(self, deed: Callable[[Adapter], None], says: str) -> None:
        self._orders.put(Order(deed=deed, says=says))

    def _update(self, **changes: object) -> None:
        with self._lock:
            self._snapshot = replace(
                self._snapshot,
                t_s=time.monotonic(),
                revision=self._snapshot.revision + 1,
                **changes,  # type: ignore[arg-type]
            )

    def _refuse(self, reason: str) -> None:
        self._log.say("refused", reason[:1].upper() + reason[1:])
        self._update(error=reason)

    def _run(self) -> None:
        while not self._closing.is_set():
            if self._adapter is None:
                self._open()
                continue
            try:
                self._serve(self._adapter)
            except ArcstepError as error:  # whatever it is, this thread must live on
                self._lose(error)

    def _open(self) -> None:
        try:
            adapter = self._open_adapter()
        except ArcstepError as error:
            if str(error) != self._snapshot.error:
                self._log.say("error", str(error))
            self._update(link="lost", error=str(error), moving=None, state="no link")
            self._closing.wait(REOPEN_S)
            return
        if self._closing.is_set():
            adapter.close()
            return
        self._adapter = adapter
        greeting = adapter.greeting
        self._update(link="open", error="", capabilities=frozenset(greeting.capabilities))
        self._log.say("note", f"Adapter {greeting.firmware} on {self._snapshot.port} greets")

    def _lose(self, error: ArcstepError) -> None:
        self._orders.halt()
        self._bound_until_s = None
        adapter, self._adapter = self._adapter, None
        if adapter is not None:
            with contextlib.suppress(LinkError):  # it is gone already; the first error says so
                adapter.close()
        self._log.say("error", f"{error}; the adapter halts the motor when its lease runs out")
        self._update(
            link="lost",
            error=str(error),
            moving=None,
            state="no link",
            motor_v=None,
            motor_a=None,
            signal_db=None,
        )

    def _serve(self, adapter: Adapter) -> None:
        """Until something breaks: the next order, or a look at the adapter."""
        next_look_s = 0.0
        while not self._closing.is_set():
            order = self._orders.next(next_look_s)
            if order is not None:
                self._carry_out(adapter, order)
            if time.monotonic() >= next_look_s:
                self._look(adapter)
                next_look_s = time.monotonic() + POLL_S

    def _situation(self) -> Situation:
        now = self._snapshot
        return Situation(
            now.acknowledged,
            now.count,
            now.moving,
            self._last_side,
            time.monotonic() - self._last_motion_s,
            now.limits_on,
            now.limit_east,
            now.limit_west,
        )

    def _carry_out(self, adapter: Adapter, order: Order) -> None:
        frame = order.frame
        if order.pressed_s is not None and not self._orders.fresh(order.pressed_s):
            return
        halts = self._orders.halts
        try:
            if frame is None:
                if order.deed is not None:
                    order.deed(adapter)
                    self._log.say("note", order.says)
                return
            granted = permit(frame, self._situation(), asked_twice=order.asked_twice)
            sent = adapter.send(frame.build(), reply_s=0.2 if frame.reply_wanted else 0.0)
            if (
                halts != self._orders.halts
            ):  # a halt overtook this frame: the last word is the halt's
                adapter.stop()
        except Refused as refusal:
            self._orders.let_go()  # a held key that was refused asks once, not thirty times
            self._refuse(str(refusal))
            return
        except LinkLost:
            raise
        except LinkError as error:
            self._log.say("error", str(error), frame.hex if frame else "")
            self._update(error=str(error))
            return
        meaning = meaning_of(frame).sentence + (f" ({order.says})" if order.says else "")
        self._log.say("sent", meaning, frame.hex)
        command = command_of(frame)
        if isinstance(command, Halt):
            self._bound_until_s = None
        if granted.bound_s is not None:
            self._bound_until_s = time.monotonic() + granted.bound_s
            self._bound_says = bound_words(command)
        self._arrival.order(command)
        if isinstance(command, Drive):  # one count may be over before the next look
            self._last_side, self._last_motion_s = command.side, time.monotonic()
        self._update(error="", **after(command, self._snapshot))
        if frame.reply_wanted:
            if sent.reply is None:
                self._log.say("note", "No reply; a one-way positioner gives none")
            else:
                reply = Frame.parse(sent.reply)
                self._log.say("reply", meaning_of(reply, frame).sentence, reply.hex)

    def _look(self, adapter: Adapter) -> None:
        """One look at the adapter: readings, events, and whether the motion may go on."""
        status = adapter.status()
        now_s = time.monotonic()
        before = self._snapshot
        self._log.count = status.tally
        if before.moving and status.moving is None:
            self._bound_says = ""
            self._bound_until_s = None
        for event in adapter.events():
            self._news.tell(event)
        pulsed = status.tally != before.count
        if status.moving or (pulsed and before.count is not None):
            self._last_motion_s = now_s
            self._last_side = status.moving or self._last_side
        # The adapter's own clock: a simulated one may run at another pace than ours.
        verdict = self._watch.see(status.t_s, status.moving, status.pulses, status.motor_a)
        changes = readings(status, before, self._state(status, now_s))
        if verdict and self._watch.side:
            says = explain(verdict, self._watch.side, status.tally)
            self._log.say("note", says)
            if verdict is not Standstill.END_SWITCH:
                changes["error"] = says
            else:
                changes[f"{self._watch.side}_end"] = status.tally
        if any(getattr(before, name) != value for name, value in changes.items()):
            self._update(**changes)
        if says := self._arrival.see(status.moving, self._snapshot.state, status.tally):
            self._log.say("rest", says)
        self._history.add(now_s, status.signal_db, status.motor_a)
        self._keep_bounds(now_s, status)

    def _state(self, status: Status, now_s: float) -> str:
        if status.moving:
            return f"driving {status.moving}, {self._bound_says}".rstrip(", ")
        if now_s - self._last_motion_s < COAST_S:
            return "coasting to rest"
        return "at rest"

    def _keep_bounds(self, now_s: float, status: Status) -> None:
        """Halt what moves past its bound, or while nobody looks."""
        if status.moving is None:
            return
        if self._bound_until_s is not None and now_s > self._bound_until_s:
            self.halt("moved past its bound")
        elif self._beat_s is not None and now_s - self._beat_s > SCREEN_SILENCE_S:
            self.halt("the screen stands still")
