"""A blocking client of the adapter: what the rest of the program calls to reach the bus.

One request at a time goes over the port, from whatever thread. A stop overtakes all of them: it
needs no turn and no answer, and a frame that waited behind it is not sent any more.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Self

from bridge.bus.addresses import POLAR_POSITIONER
from bridge.bus.standard import BYTE_S, HALT, LONGEST_REPLY, QUIET_S
from bridge.errors import (
    AdapterRefused,
    BadInput,
    FrameError,
    LinkError,
    LinkLost,
    OutcomeUnknown,
    PortUnavailable,
)
from bridge.link.dialogue import RETRY_S, Answered, Booted, Dialogue, Event, Happening, Unanswered
from bridge.link.packet import PROTOCOL, STOP_LINE
from bridge.link.port import Port, open_port
from bridge.link.status import Greeting, Sent, Status, read_greeting, read_sent, read_status

STOP_FRAME = bytes((0xE0, POLAR_POSITIONER, HALT))  # what the adapter sends when it must stop
SHORTEST_LEASE_S, LONGEST_LEASE_S = 0.2, 10.0  # s that a motor may run without a host (judgement)
LONGEST_LISTEN_S = 2.0  # s to wait for a reply on the bus (judgement)
STOP_WAIT_S = 0.25  # s that a stop waits for a write under way before it goes out (judgement)
CLOSE_WAIT_S = 0.5  # s that closing waits for a request under way (judgement)
MOST_TALLY = 1_000_000  # counts either way of 0 (judgement)
_MOST_EVENTS = 2_000  # events that wait for a caller that does not take them (judgement)
_IDEMPOTENT = ("status", "keep", "lease", "greet")  # verbs that do no harm when repeated


class Adapter:
    """An open, greeted adapter with a running lease; all methods may be called from any thread.

    Methods raise AdapterRefused when the adapter says no, OutcomeUnknown when no answer comes
    to something that acts, LinkLost when the way to it is gone or it has gone silent.
    """

    def __init__(
        self,
        port: Port,
        *,
        lease_s: float = 1.0,
        timeout_s: float = 3.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        if not SHORTEST_LEASE_S <= lease_s <= LONGEST_LEASE_S:
            raise BadInput(
                f"a lease of {lease_s} s is not in {SHORTEST_LEASE_S} to {LONGEST_LEASE_S} s"
            )
        self._port = port
        self._lease_s = lease_s
        self._timeout_s = timeout_s
        self._clock = clock
        self._dialogue = Dialogue(first=secrets.randbelow(10_000))
        self._turn = threading.Lock()  # one request at a time
        self._gate = threading.Lock()  # held from the check for a stop to the write after it
        self._stops = 0  # stops so far; a frame that was ordered before the last one is stale
        self._counting = threading.Lock()
        self._events: deque[Event] = deque(maxlen=_MOST_EVENTS)
        self._closed = False
        with self._turn:
            port.write(b"\n")  # ends a line that an earlier host left open
            self.greeting = self._greet()
            self._events.clear()  # events of an earlier session

    @classmethod
    def open(cls, url: str, *, lease_s: float = 1.0, timeout_s: float = 3.0) -> Self:
        """Open the port and greet until an adapter answers, for `timeout_s` at most.

        PortUnavailable when the port cannot be opened or nothing there answers as an adapter.
        """
        port = open_port(url)
        try:
            return cls(port, lease_s=lease_s, timeout_s=timeout_s)
        except BaseException:
            port.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def url(self) -> str:
        """Where this adapter was opened."""
        return self._port.url

    def send(self, data: bytes, *, reply_s: float = 0.0) -> Sent:
        """Key a frame onto the bus and, with `reply_s`, wait for a reply to begin within it.

        Returns when the frame (and the reply) has passed on the bus. Sent says "on the bus",
        never "arrived".
        """
        if not 1 <= len(data) <= self.greeting.max_bytes:
            raise FrameError(
                f"a frame of {len(data)} bytes; this adapter sends 1 to {self.greeting.max_bytes}"
            )
        if not 0 <= reply_s <= LONGEST_LISTEN_S:
            raise BadInput(f"a reply time of {reply_s} s is not in 0 to {LONGEST_LISTEN_S} s")
        bus_s = 2 * QUIET_S + len(data) * BYTE_S
        if reply_s:
            bus_s += reply_s + LONGEST_REPLY * BYTE_S + QUIET_S
        listen_ms = str(round(reply_s * 1000))
        return read_sent(self._ask("send", data.hex().upper(), listen_ms, patience_s=bus_s))

    def supply(self, volts: int) -> None:
        """Switch the supply to 0, 13 or 18 V."""
        if volts not in (0, 13, 18):
            raise BadInput(f"a supply of {volts} V; it can be 0, 13 or 18 V")
        self._ask("supply", str(volts), patience_s=QUIET_S)

    def tone(self, on: bool) -> None:
        """Switch the continuous tone."""
        self._ask("tone", "on" if on else "off", patience_s=QUIET_S)

    def burst(self, which: str) -> None:
        """Send tone burst A or B."""
        if which not in ("A", "B"):
            raise BadInput(f"a tone burst {which!r}; it can be A or B")
        self._ask("burst", which, patience_s=3 * QUIET_S)

    def tally(self, count: int) -> None:
        """Set the adapter's signed tally of pulses to `count` here."""
        if not -MOST_TALLY <= count <= MOST_TALLY:
            raise BadInput(f"a tally of {count} is not in {-MOST_TALLY} to {MOST_TALLY}")
        self._ask("tally", str(count))

    def status(self) -> Status:
        """What the adapter measures now; asking feeds the lease."""
        return read_status(self._ask("status"))

    def stop(self) -> None:
        """Have the stop frame sent at once, ahead of all requests, without waiting for an answer.

        Takes half a second at most. LinkLost when the port is gone or stuck: then the lease
        stops the motor.
        """
        with self._counting:  # before the gate, so that a frame that waits there is not sent
            self._stops += 1
        held = self._gate.acquire(timeout=STOP_WAIT_S)
        try:
            self._port.write(STOP_LINE)
        finally:
            if held:
                self._gate.release()

    def events(self) -> list[Event]:
        """What the adapter sent unasked since the last call, oldest first; never waits."""
        if self._turn.acquire(blocking=False):
            try:
                self._note(self._dialogue.receive(self._port.read(0.0), self._clock()))
            except LinkError:
                pass  # the next request raises it
            finally:
                self._turn.release()
        events = []
        while self._events:
            events.append(self._events.popleft())
        return events

    def close(self) -> None:
        """Stop the motor, end the lease and give the port back; safe to call twice."""
        if self._closed:
            return
        self._closed = True
        try:
            self.stop()
            if self._turn.acquire(timeout=CLOSE_WAIT_S):
                try:
                    self._exchange("lease", "0", "-", attempts=2)
                finally:
                    self._turn.release()
        except LinkError:
            pass  # the port is gone: the lease stops the motor
        finally:
            self._port.close()

    def _ask(self, verb: str, *args: str, patience_s: float = 0.0) -> tuple[str, ...]:
        """Have one request done exactly once; returns the arguments of its `ok`."""
        stops_before = self._stops
        with self._turn:
            if self._closed:
                raise LinkLost(f"the port {self.url} was closed here")
            answer = self._exchange(verb, *args, patience_s=patience_s, stops_before=stops_before)
            if isinstance(answer, Unanswered):
                raise self._silent(verb)
            if answer.ok:
                return answer.args
            code, words = (*answer.args, "")[0], " ".join(answer.args[1:])
            if code == "session":
                self.greeting = self._greet()
                if verb in _IDEMPOTENT:
                    second = self._exchange(verb, *args)
                    if isinstance(second, Answered) and second.ok:
                        return second.args
                    raise self._silent(verb)
                if answer.sent > 1:
                    raise OutcomeUnknown(
                        f"the adapter at {self.url} restarted while `{verb}` was under way: it may "
                        "or may not have acted; look at the dish before you go on"
                    )
                words = "it had restarted; nothing was done, try again"
            elif code == "lapsed":
                self._lease()
            raise AdapterRefused(f"the adapter at {self.url} refused `{verb}`: {words or code}")

    def _greet(self) -> Greeting:
        """Begin a session and its lease; PortUnavailable when nothing answers."""
        nonce = secrets.token_hex(4)
        attempts = max(1, round(self._timeout_s / RETRY_S))
        answer = self._exchange("greet", str(PROTOCOL), nonce, attempts=attempts)
        if isinstance(answer, Unanswered):
            raise PortUnavailable(
                f"the port {self.url} opened, but no adapter answered within "
                f"{self._timeout_s:g} s; check that it is the adapter's port and that the adapter "
                "has power"
            )
        if not answer.ok:
            raise LinkError(
                f"the adapter at {self.url} does not speak protocol {PROTOCOL}: "
                f"{' '.join(answer.args[1:])}; bring its firmware and arcstep to the same release"
            )
        greeting = read_greeting(answer.args)
        before = getattr(self, "greeting", None)
        if before is not None and before.boot != greeting.boot:
            self._events.append(Booted(greeting.boot))
        self._lease()
        return greeting

    def _lease(self) -> None:
        answer = self._exchange("lease", f"{self._lease_s:g}", STOP_FRAME.hex().upper())
        if isinstance(answer, Unanswered):
            raise self._silent("lease")
        if not answer.ok:
            words = " ".join(answer.args[1:])
            raise AdapterRefused(f"the adapter at {self.url} refused the lease: {words}")

    def _silent(self, verb: str) -> LinkError:
        if verb in _IDEMPOTENT:
            return LinkLost(
                f"the adapter at {self.url} does not answer any more; check its power and cable, "
                "then open it again"
            )
        return OutcomeUnknown(
            f"no answer to `{verb}` from {self.url}: it may or may not have acted; look at the "
            "dish before you go on"
        )

    def _exchange(
        self,
        verb: str,
        *args: str,
        patience_s: float = 0.0,
        attempts: int | None = None,
        stops_before: int | None = None,
    ) -> Answered | Unanswered:
        """Send a request and serve the port until it ends; the caller holds the turn.

        `stops_before` is the number of stops when it was ordered: after another stop a frame is
        not sent, or not sent again.
        """
        dialogue = self._dialogue
        moves = verb == "send" and stops_before is not None
        try:
            with self._gate:
                if moves and self._stops != stops_before:
                    raise AdapterRefused(f"`{verb}` was not sent, since a stop came before it")
                now_s = self._clock()
                line = dialogue.ask(now_s, verb, *args, patience_s=patience_s, attempts=attempts)
                self._port.write(line)
            while True:
                due_s = dialogue.due_s
                wait_s = 0.0 if due_s is None else max(0.0, due_s - self._clock())
                data = self._port.read(wait_s)
                ended = self._note(dialogue.receive(data, self._clock()))
                if ended is not None:
                    return ended
                with self._gate:
                    if moves and self._stops != stops_before:
                        dialogue.cancel_retries()
                    retry, happenings = dialogue.tick(self._clock())
                    if retry:
                        self._port.write(retry)
                ended = self._note(happenings)
                if ended is not None:
                    return ended
        finally:
            dialogue.forget()

    def _note(self, happenings: list[Happening]) -> Answered | Unanswered | None:
        """Keep the events; returns how the request ended, None if it has not."""
        ended: Answered | Unanswered | None = None
        for happening in happenings:
            if isinstance(happening, Answered | Unanswered):
                ended = happening
            else:
                self._events.append(happening)
        return ended
