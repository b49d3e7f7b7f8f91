"""The simulated adapter: packets in, packets out, its bus in between; no I/O and no clock.

The logic of a real one in plain words: sessions, each request acted on once, the lease that
stops the motor when the host goes silent, and stop. `now_s` is its own time; it never goes back.

    no session --greet--> no lease --lease--> held --silence--> lapsed --lease--> held
      refuses all           refuses frames                    refuses frames but the stop frame
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from bridge.bus.addresses import POLAR_POSITIONER
from bridge.bus.standard import HALT, REPEAT_S
from bridge.link.packet import NUMBERS, PROTOCOL, LineSplitter, Packet, parse_line
from sim.cable import Act, Coax, Passed

if TYPE_CHECKING:
    from sim.rig.dish import Dish

FIRMWARE = "simulated-1"
CAPABILITIES = ("pulses", "tally", "motor", "signal", "listening", "supply", "two-way")
LONGEST_FRAME = 8  # bytes
LONGEST_LISTEN_MS = 2000
SHORTEST_LEASE_S, LONGEST_LEASE_S = 0.1, 10.0  # s
STOP_FRAMES, TRIP_FRAMES = 2, 3  # the stop frame goes out so often: one may be lost on the cable
_KEPT_LINES = 64  # for a host that does not read; what comes on top is dropped, a retry asks again

Answer = str | None  # the body of an answer, None while the act is still on its way


class SimAdapter:
    """One adapter since its start; feed bytes and time, take bytes."""

    def __init__(self, dish: Dish, *, boot: int = 1) -> None:
        self.dish = dish
        self.boot = boot
        self.pace = 1.0  # own seconds in a second of the host, by which its silence is measured
        self.trips = 0
        self._coax = Coax(dish)
        self._now_s = dish.time_s
        self._lines = LineSplitter()
        self._out: deque[bytes] = deque()
        self._last: tuple[int, str, Answer] | None = None  # the last request: number, body, answer
        self._tickets = 0
        self._under_way: tuple[int, int] | None = None  # ticket and number of an act of the bus
        self._lease_s = 0.0
        self._fed_s = 0.0
        self._lapsed = False
        self._stop_frame = bytes((0xE0, POLAR_POSITIONER, HALT))
        self._own: set[int] = set()  # tickets of frames sent unasked
        self._stopped_s: float | None = None
        self._tally_shift = 0
        self._verbs: dict[str, Callable[[tuple[str, ...]], Answer]] = {
            "keep": lambda args: "ok",
            "lease": self._lease,
            "send": self._send,
            "supply": self._supply,
            "tone": self._tone,
            "burst": self._burst,
            "tally": self._tally,
            "status": self._status,
            "stop": self._stop_asked,
        }
        self._tell(f"booted {boot}")

    @property
    def leased(self) -> bool:
        """Whether a host holds the lease."""
        return self._lease_s > 0 and not self._lapsed

    def receive(self, data: bytes, now_s: float) -> None:
        """Take bytes that came from the host at `now_s`."""
        self.advance(now_s)
        for line in self._lines.feed(data):
            self._read(line)
        self.advance(now_s)  # what can begin at once does

    def advance(self, now_s: float) -> None:
        """Let time go on: acts on the cable, and the end of the lease."""
        while (at_s := self.next_s()) is not None and at_s <= now_s:
            self._now_s = max(self._now_s, at_s)
            self._take_passed(self._coax.advance(self._now_s))
            lapse_s = self._lapse_s()
            if lapse_s is not None and lapse_s <= self._now_s:
                self._trip()
        self._now_s = max(self._now_s, now_s)
        self._take_passed(self._coax.advance(self._now_s))

    def next_s(self) -> float | None:
        """When something happens next without the host."""
        times_s = [at_s for at_s in (self._coax.next_s(), self._lapse_s()) if at_s is not None]
        return min(times_s, default=None)

    def take(self) -> bytes:
        """Bytes for the host."""
        data = b"".join(self._out)
        self._out.clear()
        return data

    # Lines

    def _read(self, line: bytes) -> None:
        packet = parse_line(line)
        if packet is None:
            if line.strip():
                self._tell("damaged")
        elif packet.bare:
            if packet.verb == "stop":
                self._stop()
            else:
                self._tell(self._status(()))
        elif packet.number is not None and packet.verb in (*self._verbs, "greet"):
            self._take_request(packet.number, packet)

    def _take_request(self, number: int, packet: Packet) -> None:
        """Answer a request; one with the number and words of the last is not acted on again."""
        if self._last is not None and self._last[0] == number and self._last[1] == packet.body:
            self._fed_s = self._now_s
            self._say(number, self._last[2] or "wait")
            return
        if packet.verb == "greet":
            if len(packet.args) != 2 or packet.args[0] != str(PROTOCOL):
                self._say(number, f"no protocol this adapter speaks {PROTOCOL}")
                return
            answer = self._greet()
        elif self._last is None:
            self._say(number, "no session greet first")
            return
        elif not 0 < (number - self._last[0]) % NUMBERS <= NUMBERS // 2:
            self._say(number, f"no number {number} does not come after {self._last[0]}")
            return
        else:
            self._fed_s = self._now_s
            answer = self._verbs[packet.verb](packet.args)
        self._last = (number, packet.body, answer)
        if answer is None:
            self._under_way = (self._tickets, number)
        else:
            self._say(number, answer)

    def _say(self, number: int | None, body: str) -> None:
        verb, *args = body.split()
        if len(self._out) < _KEPT_LINES:
            self._out.append(Packet(number, verb, tuple(args)).line())

    def _tell(self, body: str) -> None:
        self._say(None, body)

    def _finish(self, answer: str) -> None:
        """Answer the request whose act was under way."""
        if self._under_way is None:
            return
        number = self._under_way[1]
        self._under_way = None
        if self._last is not None and self._last[0] == number:
            self._last = (number, self._last[1], answer)
            self._say(number, answer)

    # Verbs: the arguments in, the body of the answer out

    def _greet(self) -> Answer:
        if self.leased:  # a new host knows nothing of what the old one moved
            self._key_stop(STOP_FRAMES)
        self._under_way = None
        self._lease_s = 0.0
        self._lapsed = False
        return f"ok {PROTOCOL} {FIRMWARE} {self.boot} {LONGEST_FRAME} {','.join(CAPABILITIES)}"

    def _lease(self, args: tuple[str, ...]) -> Answer:
        try:
            lease_s, frame = float(args[0]), args[1]
            data = b"" if frame == "-" else bytes.fromhex(frame)
        except (IndexError, ValueError):
            return "no words lease SECONDS STOPFRAME"
        if lease_s == 0:
            self._lease_s = 0.0
            return "ok"
        if not SHORTEST_LEASE_S <= lease_s <= LONGEST_LEASE_S:
            return f"no range a lease is {SHORTEST_LEASE_S:g} to {LONGEST_LEASE_S:g} s"
        if not 1 <= len(data) <= LONGEST_FRAME:
            return f"no range a stop frame has 1 to {LONGEST_FRAME} bytes"
        self._lease_s, self._stop_frame, self._lapsed = lease_s, data, False
        return "ok"

    def _send(self, args: tuple[str, ...]) -> Answer:
        try:
            data, listen_ms = bytes.fromhex(args[0]), int(args[1])
        except (IndexError, ValueError):
            return "no words send FRAME LISTEN_MS"
        if not 1 <= len(data) <= LONGEST_FRAME or not 0 <= listen_ms <= LONGEST_LISTEN_MS:
            return f"no range 1 to {LONGEST_FRAME} bytes, 0 to {LONGEST_LISTEN_MS} ms"
        if self._lapsed and data != self._stop_frame:
            return "no lapsed the host was silent too long, so the motor was stopped; ask again"
        if not self._lease_s and data != self._stop_frame:
            return "no lease without a lease nothing would stop the motor; give one first"
        return self._put(Act("frame", 0, data=data, listen_s=listen_ms / 1000))

    def _supply(self, args: tuple[str, ...]) -> Answer:
        if args not in (("0",), ("13",), ("18",)):
            return "no words supply 0|13|18"
        return self._put(Act("supply", 0, value=int(args[0])))

    def _tone(self, args: tuple[str, ...]) -> Answer:
        if args not in (("on",), ("off",)):
            return "no words tone on|off"
        return self._put(Act("tone", 0, value=args == ("on",)))

    def _burst(self, args: tuple[str, ...]) -> Answer:
        if args not in (("A",), ("B",)):
            return "no words burst A|B"
        return self._put(Act("burst", 0))

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
            f"signal_db={now.signal_db:.2f} supply_v={self._coax.supply_v} "
            f"tone={'on' if self._coax.tone else 'off'} "
            f"lease_s={self._lease_s if self.leased else 0:g} trips={self.trips}"
        )

    def _stop_asked(self, args: tuple[str, ...]) -> Answer:
        self._stop()
        return "ok"

    # The cable

    def _put(self, act: Act) -> Answer:
        """Give an act to the cable; it answers when it has passed."""
        if self._under_way is not None:
            return "no busy the request before is still on the bus"
        self._tickets += 1
        act.ticket = self._tickets
        self._coax.put(act)
        return None

    def _stop(self) -> None:
        """Send the stop frame before anything that has not begun."""
        if self._stopped_s == self._now_s:
            return  # a second stop in one breath
        self._stopped_s = self._now_s
        self._tell(f"stopped {self._now_s:.4f}")
        self._key_stop(STOP_FRAMES)

    def _trip(self) -> None:
        """The host went silent: stop the motor without it."""
        self._lapsed = True
        self.trips += 1
        self._tell(f"tripped {self._now_s:.4f} {self.trips}")
        self._key_stop(TRIP_FRAMES)

    def _key_stop(self, times: int) -> None:
        dropped = self._coax.clear(self._now_s)
        self._own -= dropped
        if self._under_way is not None and self._under_way[0] in dropped:
            self._finish("no stopped a stop came first; nothing was sent")
        for nth in range(times):
            data = self._stop_frame
            if nth and data[0] in (0xE0, 0xE2):  # said again with the framing of a repeat
                data = bytes((data[0] + 1,)) + data[1:]
            self._tickets += 1
            self._own.add(self._tickets)
            not_before_s = self._now_s + nth * REPEAT_S
            self._coax.put(Act("frame", self._tickets, data, not_before_s=not_before_s))

    def _take_passed(self, passed: list[Passed]) -> None:
        for it in passed:
            if it.ticket is None:
                self._tell(f"heard {it.start_s:.4f} {it.data.hex().upper()}")
            elif it.ticket in self._own:
                self._own.discard(it.ticket)
                self._tell(f"keyed {it.start_s:.4f} {it.data.hex().upper()}")
            elif self._under_way is not None and self._under_way[0] == it.ticket:
                reply = f" {it.reply.hex().upper()}" if it.reply else ""
                self._finish(f"ok {it.start_s:.4f}{reply}")

    def _lapse_s(self) -> float | None:
        """When the lease runs out."""
        return self._fed_s + self._lease_s * self.pace if self.leased else None
