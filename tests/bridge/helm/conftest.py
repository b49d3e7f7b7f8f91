"""An adapter without a wire, a clock that is set by hand, and a helm that is stepped by hand."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from bridge.errors import LinkError, LinkLost
from bridge.helm.helm import Helm
from bridge.helm.snapshot import PositionRow
from bridge.link.dialogue import Event
from bridge.link.status import Greeting, Sent, Status
from bridge.log.record import Kind, Record
from bridge.log.sentence import sentence


class Clock:
    """The host's monotonic clock, in s."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s

    def pass_s(self, seconds: float) -> float:
        """Let time pass; returns the new time."""
        self.now_s += seconds
        return self.now_s


class Bench:
    """An adapter that notes what it is given, and shows what a test sets."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self.greeting = Greeting(1, "bench-1", 1, 6, frozenset({"pulses", "tally", "motor"}))
        self.clock = clock
        self.done: list[str] = []  # frames, stops and switches, in order
        self.listened_s: list[float] = []  # how long each frame waited for a reply
        self.moving: Any = None
        self.count: int | None = 500
        self.pulses = 0
        self.amps: float | None = 1.4
        self.signal_db: float | None = 9.5
        self.pace = 1.0  # of the adapter's own clock
        self.error: LinkError | None = None
        self.stop_error: LinkError | None = None
        self.close_error: LinkError | None = None
        self.reply: bytes | None = None
        self.events_waiting: list[Event] = []
        self.on_send: Callable[[], None] = lambda: None
        self.closed = threading.Event()
        self.sending = threading.Event()

    def _check(self) -> None:
        if self.error is not None:
            raise self.error

    def send(self, data: bytes, *, reply_s: float = 0.0) -> Sent:
        self._check()
        self.sending.set()
        self.done.append(data.hex(" ").upper())
        self.listened_s.append(reply_s)
        self.on_send()
        return Sent(0.0, self.reply if reply_s else None)

    def status(self) -> Status:
        self._check()
        return Status(
            self.pulses,
            self.count,
            self.moving,
            36.0,
            self.amps,
            self.signal_db,
            13,
            True,
            1.0,
            0,
            self.clock() * self.pace,
        )

    def stop(self) -> None:
        if self.stop_error is not None:
            raise self.stop_error
        self.done.append("stop")
        self.moving = None

    def supply(self, volts: int) -> None:
        self._check()
        self.done.append(f"supply {volts}")

    def tone(self, on: bool) -> None:
        self._check()
        self.done.append(f"tone {on}")

    def tally(self, count: int) -> None:
        self._check()
        self.count = count

    def events(self) -> list[Event]:
        events, self.events_waiting = self.events_waiting, []
        return events

    def close(self) -> None:
        self.closed.set()
        if self.close_error is not None:
            raise self.close_error


class Watched:
    """A helm on a bench, stepped by hand."""

    def __init__(self, helm: Helm, bench: Bench, clock: Clock) -> None:
        self.helm, self.bench, self.clock = helm, bench, clock

    def run(self, seconds: float = 0.0) -> None:
        """Step now, and then each 1/16 s, which floats hold exactly, for so long."""
        self.helm.step()
        for _ in range(round(seconds * 16)):
            self.clock.pass_s(1 / 16)
            self.helm.step()

    def look(self) -> None:
        """Step until the adapter was looked at anew."""
        self.run(1 / 16)

    def log(self, kind: Kind) -> list[str]:
        """The sentences of one kind."""
        return [sentence(record) for record in self.records() if record.kind is kind]

    def records(self) -> list[Record]:
        return self.helm.log_since(0)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def bench(clock: Clock) -> Bench:
    return Bench(clock)


@pytest.fixture
def watched(bench: Bench, clock: Clock) -> Iterator[Watched]:
    """A helm whose port is open, looked at once, the cautions acknowledged, its log empty."""
    rows = [PositionRow(7, "Gorse", 14.3, None, 480)]
    helm = Helm(lambda: bench, port="bench", live=True, positions=rows, clock=clock)  # type: ignore[arg-type,return-value]
    watched = Watched(helm, bench, clock)
    watched.run()
    watched.run()
    helm.acknowledge()
    yield watched
    helm.close()


@pytest.fixture
def lost() -> LinkLost:
    return LinkLost("the port bench went away")
