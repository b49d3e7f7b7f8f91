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
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

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
    read,
)
from bridge.bus.frame import Frame
from bridge.bus.words import parse_words
from bridge.errors import ArcstepError, LinkError, LinkLost, Refused
from bridge.guard import Situation, permit
from bridge.link.adapter import Adapter, Status
from bridge.snapshot import Hemisphere, LogKind, LogLine, PositionRow, Scale, Snapshot
from bridge.watch import MotionWatch, explain

POLL_S = 0.05  # s between looks at the adapter; each feeds the lease
REOPEN_S = 1.0  # s between tries to open a lost port
STALE_S = 0.25  # s after which a jog key press is too old to move anything
HOLD_PIECE_S = 1  # s, the bounded piece of a held key
HOLD_RENEW_S = 0.6  # s after which a piece is renewed while key repeats arrive
FIRST_REPEAT_S = 0.75  # s that a terminal may take to its first key repeat
REPEAT_GAP_S = 0.3  # s without a repeat that mean the key was let go
COAST_S = 0.7  # s after the last pulse in which the dish is said to coast
SCREEN_SILENCE_S = 2.0  # s without a heartbeat of the screen before a moving dish is halted
HISTORY_S = 60.0  # s of signal and current kept
HISTORY_STEP_S = 0.1  # s between its points
LOG_LINES = 2000  # lines kept


@dataclass(frozen=True, slots=True)
class _Order:
    """Something for the helm's thread to do; `frame` None is a deed on the adapter itself."""

    frame: Frame | None
    asked_twice: bool = False
    deed: Callable[[Adapter], None] | None = None
    says: str = ""
    pressed_s: float | None = None


@dataclass(slots=True)
class _Hold:
    side: Side
    last_key_s: float
    keys: int = 1
    granted_s: float = 0.0


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
        self._wake = threading.Condition(self._lock)
        self._orders: deque[_Order] = deque()
        self._jog: _Order | None = None
        self._hold: _Hold | None = None
        self._adapter: Adapter | None = None
        self._snapshot = Snapshot(time.monotonic(), live, port, positions=tuple(positions))
        self._log: deque[LogLine] = deque(maxlen=LOG_LINES)
        self._seq = 0
        points = int(HISTORY_S / HISTORY_STEP_S)
        self._history: deque[tuple[float, float | None, float | None]] = deque(maxlen=points)
        self._watch = MotionWatch()
        self._last_side: Side | None = None
        self._last_motion_s = float("-inf")
        self._bound_until_s: float | None = None
        self._bound_says = ""
        self._beat_s: float | None = None
        self._halts = 0
        self._halted_s = float("-inf")
        self._asked: Frame | None = None
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
        with self._lock:
            fresh = min(len(self._log), self._seq - seq)
            return list(islice(self._log, len(self._log) - fresh, None)) if fresh > 0 else []

    def history(self) -> list[tuple[float, float | None, float | None]]:
        """(time, signal in dB, motor current in A) of the last minute, oldest first."""
        with self._lock:
            return list(self._history)

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
        with self._wake:
            self._orders.clear()
            self._jog = self._hold = None
            self._bound_until_s = None
            self._halts += 1
            self._halted_s = time.monotonic()
            adapter = self._adapter
        if adapter is not None:
            try:
                adapter.stop()
            except LinkError as error:
                self._say("error", f"Halt could not be sent: {error}")
                return
        self._say("sent", f"Halt ({why})", frame_of(Halt()).hex)

    def jog(self, side: Side, pressed_s: float) -> None:
        """One count; a press that finds another waiting is dropped, and so is a stale one."""
        order = _Order(frame_of(Drive(side, counts=1)), pressed_s=pressed_s)
        with self._wake:
            if self._jog is None and self._fresh(pressed_s):
                self._jog = order
                self._wake.notify()

    def hold(self, side: Side, pressed_s: float) -> None:
        """Move while key repeats arrive, in pieces that end by themselves."""
        with self._wake:
            if not self._fresh(pressed_s):
                return
            hold = self._hold
            if hold is None or hold.side != side:
                self._hold = _Hold(side, pressed_s)
            else:
                hold.last_key_s = pressed_s
                hold.keys += 1
            self._wake.notify()

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
            self._queue(_Order(frame, asked_twice))

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

        self._deed(deed, f"Call this place count {count}")

    def reset_best(self) -> None:
        self._update(best_db=None, best_count=None)

    def acknowledge(self) -> None:
        self._update(acknowledged=True)
        self._say("note", "Cautions acknowledged")

    def close(self) -> None:
        """Halt, let go of the port, and end the thread; safe to call more than once."""
        if self._closing.is_set():
            return
        self.halt("closing")
        self._closing.set()
        with self._wake:
            self._wake.notify()
        if self._thread.ident is not None and self._thread is not threading.current_thread():
            self._thread.join(2.0)
        adapter, self._adapter = self._adapter, None
        if adapter is not None:
            adapter.close()
        self._update(link="closed", moving=None, state="closed")

    # inside

    def _fresh(self, pressed_s: float) -> bool:
        """A key press that is neither old nor from before the last halt."""
        return time.monotonic() - pressed_s <= STALE_S and pressed_s > self._halted_s

    def _command(self, command: Command) -> None:
        try:
            self._queue(_Order(frame_of(command)))
        except ArcstepError as error:
            self._refuse(str(error))

    def _deed(self, deed: Callable[[Adapter], None], says: str) -> None:
        self._queue(_Order(None, deed=deed, says=says))

    def _queue(self, order: _Order) -> None:
        with self._wake:
            self._orders.append(order)
            self._wake.notify()

    def _update(self, **changes: object) -> None:
        with self._lock:
            self._snapshot = replace(
                self._snapshot,
                t_s=time.monotonic(),
                revision=self._snapshot.revision + 1,
                **changes,  # type: ignore[arg-type]
            )

    def _say(self, kind: LogKind, meaning: str, hex_text: str = "") -> None:
        with self._lock:
            self._seq += 1
            self._log.append(LogLine(self._seq, time.monotonic(), kind, hex_text, meaning))

    def _refuse(self, reason: str) -> None:
        self._say("refused", reason[:1].upper() + reason[1:])
        self._update(error=reason)

    def _run(self) -> None:
        while not self._closing.is_set():
            if self._adapter is None:
                self._open()
                continue
            try:
                self._serve(self._adapter)
            except LinkError as error:
                self._lose(error)

    def _open(self) -> None:
        try:
            adapter = self._open_adapter()
        except ArcstepError as error:
            if str(error) != self._snapshot.error:
                self._say("error", str(error))
            self._update(link="lost", error=str(error), moving=None, state="no link")
            self._closing.wait(REOPEN_S)
            return
        if self._closing.is_set():
            adapter.close()
            return
        self._adapter = adapter
        greeting = adapter.greeting
        self._update(link="open", error="", capabilities=frozenset(greeting.capabilities))
        self._say("note", f"Adapter {greeting.firmware} on {self._snapshot.port} greets")

    def _lose(self, error: LinkError) -> None:
        with self._wake:
            self._orders.clear()
            self._jog = self._hold = self._bound_until_s = None
            adapter, self._adapter = self._adapter, None
        if adapter is not None:
            with contextlib.suppress(LinkError):  # it is gone already; the first error says so
                adapter.close()
        self._say("error", f"{error}; the adapter halts the motor when its lease runs out")
        self._update(link="lost", error=str(error), moving=None, state="no link")

    def _serve(self, adapter: Adapter) -> None:
        """Until something breaks: the next order, or a look at the adapter."""
        next_look_s = 0.0
        while not self._closing.is_set():
            order = self._next_order(next_look_s)
            if order is not None:
                self._carry_out(adapter, order)
            if time.monotonic() >= next_look_s:
                self._look(adapter)
                next_look_s = time.monotonic() + POLL_S

    def _next_order(self, until_s: float) -> _Order | None:
        """The next order, or None at `until_s`. Held keys come first, then jogs, then the rest."""
        with self._wake:
            while not self._closing.is_set():
                now_s = time.monotonic()
                if order := self._held_piece(now_s):
                    return order
                if self._jog is not None:
                    order, self._jog = self._jog, None
                    return order
                if self._orders:
                    return self._orders.popleft()
                if now_s >= until_s:
                    return None
                self._wake.wait(until_s - now_s)
        return None

    def _held_piece(self, now_s: float) -> _Order | None:
        """A piece for a key that is held, its end for one that was let go. Called with the lock."""
        hold = self._hold
        if hold is None:
            return None
        patience_s = FIRST_REPEAT_S if hold.keys == 1 else REPEAT_GAP_S
        if now_s - hold.last_key_s > patience_s:
            self._hold = None
            return _Order(frame_of(Halt()), says="key let go") if hold.granted_s else None
        if now_s - hold.granted_s >= HOLD_RENEW_S:
            hold.granted_s = now_s
            return _Order(frame_of(Drive(hold.side, seconds=HOLD_PIECE_S)))
        return None

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

    def _carry_out(self, adapter: Adapter, order: _Order) -> None:
        frame = order.frame
        if order.pressed_s is not None and not self._fresh(order.pressed_s):
            return
        halts = self._halts
        try:
            if frame is None:
                if order.deed is not None:
                    order.deed(adapter)
                    self._say("note", order.says)
                return
            granted = permit(frame, self._situation(), asked_twice=order.asked_twice)
            sent = adapter.send(frame.build(), reply_s=0.2 if frame.reply_wanted else 0.0)
            if halts != self._halts:  # a halt overtook this frame: the last word is the halt's
                adapter.stop()
        except Refused as refusal:
            with self._wake:
                self._hold = None  # a held key that was refused asks once, not thirty times
            self._refuse(str(refusal))
            return
        except LinkLost:
            raise
        except LinkError as error:
            self._say("error", str(error), frame.hex if frame else "")
            self._update(error=str(error))
            return
        meaning = read(frame).meaning + (f" ({order.says})" if order.says else "")
        self._say("sent", meaning, frame.hex)
        if granted.bound_s is not None:
            self._bound_until_s = time.monotonic() + granted.bound_s
        self._remember(frame)
        if frame.reply_wanted:
            if sent.reply is None:
                self._say("note", "No reply; a one-way positioner gives none")
            else:
                reply = Frame.parse(sent.reply)
                self._say("reply", read(reply, frame).meaning, reply.hex)

    def _remember(self, frame: Frame) -> None:
        """What a sent command should have changed in the positioner, as far as we can know."""
        now = self._snapshot
        changes: dict[str, object] = {"error": ""}
        match command_of(frame):
            case Halt():
                self._bound_until_s = None
            case SetLimit("east"):
                changes |= {"limit_east": now.count, "limits_on": True}
            case SetLimit("west"):
                changes |= {"limit_west": now.count, "limits_on": True}
            case Limits(on):
                changes |= {"limits_on": on}
            case Store(number):
                changes |= {"limits_on": True, "positions": self._stored(number, now)}
            case Drive() as drive:
                self._bound_says = (
                    f"{drive.counts} count{'s' if drive.counts != 1 else ''}"
                    if drive.counts
                    else f"at most {drive.seconds} s"
                )
            case Goto(number):
                self._bound_says = f"to position {number}" if number else "to the reference"
        self._update(**changes)

    @staticmethod
    def _stored(number: int, now: Snapshot) -> tuple[PositionRow, ...]:
        rows = {row.number: row for row in now.positions}
        known = rows.get(number, PositionRow(number, f"position {number}"))
        rows[number] = replace(known, count=now.count)
        return tuple(rows[key] for key in sorted(rows))

    def _look(self, adapter: Adapter) -> None:
        """One look at the adapter: readings, events, and whether the motion may go on."""
        status = adapter.status()
        now_s = time.monotonic()
        before = self._snapshot
        if before.moving and status.moving is None:
            self._bound_says = ""
            self._bound_until_s = None
        for event in adapter.events():
            self._hear(event)
        pulsed = status.tally != before.count
        if status.moving or (pulsed and before.count is not None):
            self._last_motion_s = now_s
            self._last_side = status.moving or self._last_side
        verdict = self._watch.see(now_s, status.moving, status.pulses, status.motor_a)
        changes = self._readings(status, now_s)
        if verdict and status.moving:
            says = explain(verdict, status.moving, status.tally)
            self._say("note", says)
            changes["error"] = says
            if verdict == "end":
                changes["east_end" if status.moving == "east" else "west_end"] = status.tally
        if any(getattr(before, name) != value for name, value in changes.items()):
            self._update(**changes)
        self._keep_history(now_s, status)
        self._keep_bounds(now_s, status)

    def _readings(self, status: Status, now_s: float) -> dict[str, object]:
        changes: dict[str, object] = {
            "count": status.tally,
            "moving": status.moving,
            "motor_v": status.motor_v,
            "motor_a": status.motor_a,
            "signal_db": status.signal_db,
            "supply_v": status.supply_v,
            "tone": status.tone,
            "state": self._state(status, now_s),
        }
        best = self._snapshot.best_db
        if status.signal_db is not None and (best is None or status.signal_db > best):
            changes |= {"best_db": status.signal_db, "best_count": status.tally}
        return changes

    def _state(self, status: Status, now_s: float) -> str:
        if status.moving:
            return f"driving {status.moving}, {self._bound_says}".rstrip(", ")
        if now_s - self._last_motion_s < COAST_S:
            return "coasting to rest"
        return "at rest"

    def _hear(self, event: object) -> None:
        """An adapter's own news into the log."""
        octets = getattr(event, "octets", None)
        if isinstance(octets, bytes) and octets:
            frame = Frame.parse(octets)
            self._say("heard", read(frame, self._asked).meaning, frame.hex)
            self._asked = frame if frame.reply_wanted else None
        else:
            self._say("note", str(event))

    def _keep_history(self, now_s: float, status: Status) -> None:
        with self._lock:
            if not self._history or now_s - self._history[-1][0] >= HISTORY_STEP_S:
                self._history.append((now_s, status.signal_db, status.motor_a))

    def _keep_bounds(self, now_s: float, status: Status) -> None:
        """Halt what moves past its bound, or while nobody looks."""
        if status.moving is None:
            return
        if self._bound_until_s is not None and now_s > self._bound_until_s:
            self.halt("moved past its bound")
        elif self._beat_s is not None and now_s - self._beat_s > SCREEN_SILENCE_S:
            self.halt("the screen stands still")
