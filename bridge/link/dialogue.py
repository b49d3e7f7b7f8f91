"""The host's side of the dialogue with an adapter: one request at a time, each done exactly once.

No I/O and no clock: bytes and times in, happenings and bytes out. A request goes out with the
next number, and again unchanged until its answer comes. The adapter acts on a number once; after
that it only repeats its answer. When no answer comes the outcome is unknown, never "failed".

    ask -> waiting --answer------------------------------> Answered
              | --wait (still on the bus)---> waiting
              | --time out, attempts left --> sent again, waiting
              | --time out, none left --------------------> Unanswered
              | --cancel_retries (a stop went out): it is not sent again
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.errors import BadInput
from bridge.link.packet import NUMBERS, LineSplitter, Packet, parse_line

RETRY_S = 0.15  # s without an answer before a request goes out again (judgement)
ATTEMPTS = 8  # times a request goes out at most (judgement)
LONGEST_WAIT_S = 10.0  # s for which `wait` keeps a request open (judgement)


@dataclass(frozen=True, slots=True)
class Answered:
    """The adapter's answer to a request, which went out `sent` times."""

    number: int
    verb: str
    ok: bool
    args: tuple[str, ...]
    sent: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """Attempts ran out: the adapter may or may not have acted."""

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
    """A line with a wrong checksum: at this end, or (`far`) at the adapter's."""

    far: bool


Event = Booted | Tripped | Stopped | Heard | Keyed | Damaged
Happening = Answered | Unanswered | Event


@dataclass(slots=True)
class _Request:
    """The request under way."""

    packet: Packet
    line: bytes
    asked_s: float
    due_s: float
    patience_s: float
    allowed: int
    attempts: int = 1  # how many time-outs, and one
    sent: int = 1  # how often it went out
    final: bool = False  # not to be sent again
    early: bool = False  # due at once, because a line was damaged
    was_early: bool = False  # in this attempt


class Dialogue:
    """Requests out, answers and events in; `due_s` is when `tick` wants to be called."""

    def __init__(
        self, *, first: int = 0, retry_s: float = RETRY_S, attempts: int = ATTEMPTS
    ) -> None:
        self._next = first % NUMBERS
        self._retry_s = retry_s
        self._attempts = attempts
        self._request: _Request | None = None
        self._lines = LineSplitter()

    @property
    def due_s(self) -> float | None:
        """When the request goes out again or is given up, 0 for at once; None without a request."""
        if self._request is None:
            return None
        return 0.0 if self._request.early else self._request.due_s

    def ask(
        self,
        now_s: float,
        verb: str,
        *args: str,
        patience_s: float = 0.0,
        attempts: int | None = None,
    ) -> bytes:
        """The line of a new request, to be written at once.

        `patience_s` is the time that the bus needs for it. BadInput while another is under way.
        """
        if self._request is not None:
            raise BadInput(f"{verb} while {self._request.packet.verb} is under way; wait for it")
        packet = Packet(self._next, verb, args)
        line = packet.line()
        self._next = (self._next + 1) % NUMBERS
        due_s = now_s + self._retry_s + patience_s
        allowed = self._attempts if attempts is None else attempts
        self._request = _Request(packet, line, now_s, due_s, patience_s, allowed)
        return line

    def cancel_retries(self) -> None:
        """Do not send the request again; its answer may still come."""
        if self._request is not None:
            self._request.final = True
            self._request.early = False

    def forget(self) -> None:
        """Forget the request; a late answer to it is passed over."""
        self._request = None

    def tick(self, now_s: float) -> tuple[bytes, list[Happening]]:
        """The bytes to write now, and the end of a request that nobody answered."""
        request = self._request
        if request is None or (now_s < request.due_s and not request.early):
            return b"", []
        if not request.early:
            if request.final or request.attempts >= request.allowed:
                self._request = None
                return b"", [
                    Unanswered(request.packet.number or 0, request.packet.verb, request.sent)
                ]
            request.attempts += 1
            request.was_early = False
        request.early = False
        request.sent += 1
        request.due_s = now_s + self._retry_s + request.patience_s
        # The line feed in front ends a line that was cut short.
        return b"\n" + request.line, []

    def receive(self, data: bytes, now_s: float) -> list[Happening]:
        """The happenings in bytes from the adapter, which come in any chunks."""
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
            self._retry_early()
        elif packet.bare:
            return
        elif packet.number is None:
            event = _read_event(packet)
            if event is not None:
                yield event
            if event == Damaged(far=True):
                self._retry_early()
        else:
            yield from self._read_answer(packet, now_s)

    def _read_answer(self, packet: Packet, now_s: float) -> Iterator[Answered]:
        request = self._request
        if request is None or packet.number != request.packet.number:
            return  # a late answer to a request that was given up
        if packet.verb == "wait":
            if now_s - request.asked_s < LONGEST_WAIT_S:
                request.attempts = 1
            request.due_s = now_s + self._retry_s
        elif packet.verb in ("ok", "no"):
            self._request = None
            yield Answered(
                request.packet.number or 0,
                request.packet.verb,
                packet.verb == "ok",
                packet.args,
                request.sent,
            )

    def _retry_early(self) -> None:
        """A line was damaged, perhaps the request or its answer: send now, once an attempt."""
        request = self._request
        if request is not None and not request.was_early and not request.final:
            request.early = request.was_early = True


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
