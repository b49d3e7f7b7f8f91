"""The host's side of the talk with an adapter: one request at a time, each done exactly once.

No I/O and no clock: bytes and times in, happenings and bytes out. A request goes out with the
next number and again, unchanged, until its answer comes; the adapter acts on a number once and
only repeats its answer after that. When no answer comes the outcome is unknown, never "failed".

    ask -> waiting --answer------------------------------> Answered
              | --wait (still on the bus)---> waiting
              | --time out, attempts left --> again, waiting
              | --time out, none left --------------------> Unanswered
              | --renounce (a stop went out): no more attempts
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.errors import BadInput
from bridge.link.packet import NUMBERS, LineSplitter, Packet, parse_line

RETRY_S = 0.15  # s without an answer before a request goes out again
ATTEMPTS = 8  # times a request goes out at most
LONGEST_WAIT_S = 10.0  # s that `wait` can keep a request open


@dataclass(frozen=True, slots=True)
class Answered:
    """The adapter's answer to the request under way, which went out `sent` times."""

    number: int
    verb: str
    ok: bool
    args: tuple[str, ...]
    sent: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """Attempts ran out: the request may or may not have been acted on."""

    number: int
    verb: str
    sent: int


@dataclass(frozen=True, slots=True)
class Booted:
    """The adapter started, and with it its counters."""

    boot: int


@dataclass(frozen=True, slots=True)
class Tripped:
    """The host was silent too long, and the adapter sent the stop frame by itself."""

    t_s: float
    trips: int


@dataclass(frozen=True, slots=True)
class Stopped:
    """A bare stop was taken."""

    t_s: float


@dataclass(frozen=True, slots=True)
class Heard:
    """A frame on the bus that was neither sent here nor a reply waited for."""

    t_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Keyed:
    """A frame the adapter sent by itself: after a stop, or when the host went silent."""

    t_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Damaged:
    """A line that did not check: at our end, or (`far`) at the adapter's."""

    far: bool


Event = Booted | Tripped | Stopped | Heard | Keyed | Damaged
Happening = Answered | Unanswered | Event


@dataclass(slots=True)
class _Open:
    """The request under way."""

    packet: Packet
    line: bytes
    asked_s: float
    due_s: float
    patience_s: float
    allowed: int
    attempts: int = 1  # times that time ran out, and the first
    sent: int = 1  # times it went out
    renounced: bool = False
    early: bool = False  # due before its time because something was damaged
    hurried: bool = False  # was early already in this attempt


class Dialogue:
    """Requests out, answers and events in; `due_s` is when `tick` wants to be called."""

    def __init__(
        self, *, first: int = 0, retry_s: float = RETRY_S, attempts: int = ATTEMPTS
    ) -> None:
        self._next = first % NUMBERS
        self._retry_s = retry_s
        self._attempts = attempts
        self._open: _Open | None = None
        self._lines = LineSplitter()

    @property
    def waiting(self) -> bool:
        """Whether a request is under way."""
        return self._open is not None

    @property
    def due_s(self) -> float | None:
        """When the request under way goes out again or is given up; in the past for at once."""
        if self._open is None:
            return None
        return 0.0 if self._open.early else self._open.due_s

    def ask(
        self,
        now_s: float,
        verb: str,
        *args: str,
        patience_s: float = 0.0,
        attempts: int | None = None,
    ) -> bytes:
        """The line of a new request; `patience_s` is how long the act itself takes.

        The line is to be written at once. BadInput while another request is under way.
        """
        if self._open is not None:
            raise BadInput(f"{verb} while {self._open.packet.verb} is under way; wait for it")
        packet = Packet(self._next, verb, args)
        line = packet.line()
        self._next = (self._next + 1) % NUMBERS
        due_s = now_s + self._retry_s + patience_s
        allowed = self._attempts if attempts is None else attempts
        self._open = _Open(packet, line, now_s, due_s, patience_s, allowed)
        return line

    def renounce(self) -> None:
        """Send the request under way not once more; its answer may still come."""
        if self._open is not None:
            self._open.renounced = True
            self._open.early = False

    def abandon(self) -> None:
        """Forget the request under way."""
        self._open = None

    def tick(self, now_s: float) -> tuple[bytes, list[Happening]]:
        """What is to be written now, and the end of a request nobody answered."""
        held = self._open
        if held is None or (now_s < held.due_s and not held.early):
            return b"", []
        if not held.early:
            if held.renounced or held.attempts >= held.allowed:
                self._open = None
                return b"", [Unanswered(held.packet.number or 0, held.packet.verb, held.sent)]
            held.attempts += 1
            held.hurried = False
        held.early = False
        held.sent += 1
        held.due_s = now_s + self._retry_s + held.patience_s
        # The feed in front ends a line that was cut short.
        return b"\n" + held.line, []

    def receive(self, data: bytes, now_s: float) -> list[Happening]:
        """What `bytes` from the adapter, in any chunks, tell."""
        return [
            happening
            for line in self._lines.feed(data)
            if line.strip()
            for happening in self._read(line, now_s)
        ]

    def _read(self, line: bytes, now_s: float) -> Iterator[Happening]:
        packet = parse_line(line)
        if packet is None:
            yield Damaged(far=False)
            self._hurry()
        elif packet.bare:
            return
        elif packet.number is None:
            event = _read_event(packet)
            if event is not None:
                yield event
            if event == Damaged(far=True):
                self._hurry()
        else:
            yield from self._read_answer(packet, now_s)

    def _read_answer(self, packet: Packet, now_s: float) -> Iterator[Answered]:
        held = self._open
        if held is None or packet.number != held.packet.number:
            return  # a late answer to what was given up
        if packet.verb == "wait":
            if now_s - held.asked_s < LONGEST_WAIT_S:
                held.attempts = 1
            held.due_s = now_s + self._retry_s
        elif packet.verb in ("ok", "no"):
            self._open = None
            yield Answered(
                held.packet.number or 0,
                held.packet.verb,
                packet.verb == "ok",
                packet.args,
                held.sent,
            )

    def _hurry(self) -> None:
        """Something was damaged, perhaps ours: go again now, once an attempt."""
        held = self._open
        if held is not None and not held.hurried and not held.renounced:
            held.early = held.hurried = True


def _read_event(packet: Packet) -> Event | None:
    """The event in an unnumbered packet; None for one that is not known."""
    try:
        match packet.verb, packet.args:
            case "booted", (boot,):
                return Booted(int(boot))
            case "tripped", (t_s, trips):
                return Tripped(float(t_s), int(trips))
            case "stopped", (t_s,):
                return Stopped(float(t_s))
            case "heard", (t_s, data):
                return Heard(float(t_s), bytes.fromhex(data))
            case "keyed", (t_s, data):
                return Keyed(float(t_s), bytes.fromhex(data))
            case "damaged", ():
                return Damaged(far=True)
            case _:
                return None
    except ValueError:
        return None
