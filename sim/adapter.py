"""The simulated adapter: packets in, packets out, its coax in between; no I/O and no clock.

The same logic as a real one: sessions, each request carried out once, the lease that stops the
motor when the host goes silent (`sim/lease.py`), and stop. `now_s` is its own time; it never
goes back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from bridge.link.packet import NUMBERS, PROTOCOL, LineSplitter, Packet, parse_line
from bridge.link.status import CAPABILITIES
from sim.cable import Cable, CableTask, Completed, Kind
from sim.lease import LONGEST_FRAME, STOP_FRAMES, TRIP_FRAMES, Lease, LeaseState

if TYPE_CHECKING:
    from sim.rig.dish import Dish

FIRMWARE = "simulated-1"
STOP_TICKET = 0  # of all stop frames that nobody requested; requests have 1, 2, 3 ...
LONGEST_LISTEN_MS = 2000  # ms to wait for a reply on the bus (judgement)
MOST_LINES = 64  # lines that wait for a host that does not read; more are dropped (judgement)

Answer = str | None  # the body of an answer, None while its task is not over


class SimAdapter:
    """One adapter since its start; feed it bytes and time, take bytes."""

    def __init__(self, dish: Dish, *, boot: int = 1) -> None:
        self.dish = dish
        self.boot = boot
        self.lease = Lease()
        self._cable = Cable(dish)
        self._now_s = dish.time_s
        self._lines = LineSplitter()
        self._out: deque[bytes] = deque()
        self._last: tuple[int, str, Answer] | None = None  # the last request: number, body, answer
        self._ticket = 0  # of the last task
        self._pending: tuple[int, int] | None = None  # ticket and number of an open request
        self._stopped_s: float | None = None
        self._tally_shift = 0
        self._verbs: dict[str, Callable[[tuple[str, ...]], Answer]] = {
            "keep": lambda args: "ok",
            "lease": self._grant_lease,
            "send": self._send,
            "supply": self._supply,
            "tone": self._tone,
            "burst": self._burst,
            "tally": self._tally,
            "status": self._status,
            "stop": self._stop_request,
        }
        self._notify(f"booted {boot}")

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes that came from the host at `now_s`."""
        self.advance(now_s)
        for line in self._lines.feed(data):
            self._read(line)
        self.advance(now_s)  # what can begin at once begins

    def advance(self, now_s: float) -> None:
        """Let time go on: tasks on the coax, and the end of the lease."""
        while (at_s := self.next_s()) is not None and at_s <= now_s:
            self._now_s = max(self._now_s, at_s)
            self._take_completed(self._cable.advance(self._now_s))
            if self.lease.lapse(self._now_s):
                self._trip()
        self._now_s = max(self._now_s, now_s)
        self._take_completed(self._cable.advance(self._now_s))

    def next_s(self) -> float | None:
        """When something happens next without the host; None for never."""
        times_s = [at_s for at_s in (self._cable.next_s(), self.lease.due_s) if at_s is not None]
        return min(times_s, default=None)

    def take(self) -> bytes:
        """Bytes for the host since the last call."""
        data = b"".join(self._out)
        self._out.clear()
        return data

    # Lines

    def _read(self, line: bytes) -> None:
        packet = parse_line(line)
        if packet is None:
            if line.strip():
                self._notify("damaged")
        elif packet.bare:
            if packet.verb == "stop":
                self._stop()
            else:
                self._notify(self._status(()))
        elif packet.number is not None and packet.verb in (*self._verbs, "greet"):
            self._take_request(packet.number, packet)

    def _take_request(self, number: int, packet: Packet) -> None:
        """Answer a request; one with the number and words of the last is not carried out again."""
        if self._last is not None and self._last[0] == number and self._last[1] == packet.body:
            self.lease.feed(self._now_s)
            self._write(number, self._last[2] or "wait")
            return
        if packet.verb == "greet":
            if len(packet.args) != 2 or packet.args[0] != str(PROTOCOL):
                self._write(number, f"no protocol this adapter speaks {PROTOCOL}")
                return
            answer = self._greet()
        elif self._last is None:
            self._write(number, "no session greet first")
            return
        elif not 0 < (number - self._last[0]) % NUMBERS <= NUMBERS // 2:
            self._write(number, f"no number {number} does not come after {self._last[0]}")
            return
        else:
            self.lease.feed(self._now_s)
            answer = self._verbs[packet.verb](packet.args)
        self._last = (number, packet.body, answer)
        if answer is None:
            self._pending = (self._ticket, number)
        else:
            self._write(number, answer)

    def _write(self, number: int | None, body: str) -> None:
        verb, *args = body.split()
        if len(self._out) < MOST_LINES:
            self._out.append(Packet(number, verb, tuple(args)).line())

    def _notify(self, body: str) -> None:
        self._write(None, body)

    def _finish(self, answer: str) -> None:
        """Answer the open request."""
        if self._pending is None:
            return
        number = self._pending[1]
        self._pending = None
        if self._last is not None and self._last[0] == number:
            self._last = (number, self._last[1], answer)
            self._write(number, answer)

    # Verbs: the arguments in, the body of the answer out

    def _greet(self) -> Answer:
        if (
            self.lease.state is LeaseState.RUNNING
        ):  # a new host does not know what the old one moved
            self._send_stop_frames(STOP_FRAMES)
        self._pending = None
        self.lease.end()
        return f"ok {PROTOCOL} {FIRMWARE} {self.boot} {LONGEST_FRAME} {','.join(CAPABILITIES)}"

    def _grant_lease(self, args: tuple[str, ...]) -> Answer:
        try:
            length_s, frame = float(args[0]), args[1]
            stop_frame = b"" if frame == "-" else bytes.fromhex(frame)
        except (IndexError, ValueError):
            return "no words lease SECONDS STOPFRAME"
        if length_s == 0:
            self.lease.end()
            return "ok"
        refusal = self.lease.grant(length_s, stop_frame)
        return f"no {refusal}" if refusal else "ok"

    def _send(self, args: tuple[str, ...]) -> Answer:
        try:
            data, listen_ms = bytes.fromhex(args[0]), int(args[1])
        except (IndexError, ValueError):
            return "no words send FRAME LISTEN_MS"
        if not 1 <= len(data) <= LONGEST_FRAME or not 0 <= listen_ms <= LONGEST_LISTEN_MS:
            return f"no range 1 to {LONGEST_FRAME} bytes, 0 to {LONGEST_LISTEN_MS} ms"
        if refusal := self.lease.refusal(data):
            return f"no {refusal}"
        return self._enqueue("frame", data=data, listen_s=listen_ms / 1000)

    def _supply(self, args: tuple[str, ...]) -> Answer:
        if args not in (("0",), ("13",), ("18",)):
            return "no words supply 0|13|18"
        return self._enqueue("supply", value=int(args[0]))

    def _tone(self, args: tuple[str, ...]) -> Answer:
        if args not in (("on",), ("off",)):
            return "no words tone on|off"
        return self._enqueue("tone", value=args == ("on",))

    def _burst(self, args: tuple[str, ...]) -> Answer:
        if args not in (("A",), ("B",)):
            return "no words burst A|B"
        return self._enqueue("burst")

    def _tally(self, args: tuple[str, ...]) -> Answer:
        try:
            self._tally_shift = int(args[0]) - self.dish.readings().tally
        except (IndexError, ValueError):
            return "no words tally COUNT"
        return "ok"

    def _status(self, args: tuple[str, ...]) -> str:
        now = self.dish.readings()
        return (
            f"ok t_s={self._now_s:.4f} pulses={now.pulses} tally={now.tally + self._tally_shift} "
            f"moving={now.moving or '-'} motor_v={now.motor_v:.2f} motor_a={now.motor_a:.3f} "
            f"signal_db={now.signal_db:.2f} supply_v={self._cable.supply_v} "
            f"tone={'on' if self._cable.tone else 'off'} "
            f"lease_s={self.lease.length_s:g} trips={self.lease.trips}"
        )

    def _stop_request(self, args: tuple[str, ...]) -> Answer:
        self._stop()
        return "ok"

    # The coax

    def _enqueue(
        self, kind: Kind, *, data: bytes = b"", value: int = 0, listen_s: float = 0.0
    ) -> Answer:
        """Request a task; the answer comes when it is over."""
        if self._pending is not None:
            return "no busy the request before is still on the bus"
        self._ticket += 1
        self._cable.enqueue(CableTask(kind, self._ticket, data, listen_s, value))
        return None

    def _stop(self) -> None:
        """Send the stop frame before anything that has not begun."""
        if self._stopped_s == self._now_s:
            return  # the second of two stops in one line
        self._stopped_s = self._now_s
        self._notify(f"stopped {self._now_s:.4f}")
        self._send_stop_frames(STOP_FRAMES)

    def _trip(self) -> None:
        """The lease has run out: stop the motor without the host."""
        self._notify(f"tripped {self._now_s:.4f} {self.lease.trips}")
        self._send_stop_frames(TRIP_FRAMES)

    def _send_stop_frames(self, times: int) -> None:
        dropped = self._cable.discard_pending(self._now_s)
        if self._pending is not None and self._pending[0] in dropped:
            self._finish("no stopped a stop came first; nothing was sent")
        for not_before_s, data in self.lease.stop_frames(times, self._now_s):
            self._cable.enqueue(CableTask("frame", STOP_TICKET, data, not_before_s=not_before_s))

    def _take_completed(self, completed: list[Completed]) -> None:
        for it in completed:
            if it.ticket is None:
                self._notify(f"heard {it.start_s:.4f} {it.data.hex().upper()}")
            elif it.ticket == STOP_TICKET:
                self._notify(f"keyed {it.start_s:.4f} {it.data.hex().upper()}")
            elif self._pending is not None and self._pending[0] == it.ticket:
                reply = f" {it.reply.hex().upper()}" if it.reply else ""
                self._finish(f"ok {it.start_s:.4f}{reply}")
