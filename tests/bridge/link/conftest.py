"""The adapter's side of a port, answering as a test tells it to: in memory, or on a pty."""

from __future__ import annotations

import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from bridge.errors import LinkLost
from bridge.link.packet import LineSplitter, Packet, parse_line


class Script:
    """What an adapter without a bus answers; `answers(packet)` gives a body, or None for none."""

    def __init__(self) -> None:
        self.packets: list[Packet] = []
        self.answers: Callable[[Packet], str | None] = self.obey
        self.boot = 1

    def obey(self, packet: Packet) -> str | None:
        match packet.verb:
            case "greet":
                return f"ok 1 scripted {self.boot} 8 -"
            case "send":
                return "ok 1.0"
            case "status":
                return "ok t_s=1 supply_v=13 trips=0"
            case _:
                return "ok"

    def verbs(self) -> list[str]:
        return [packet.verb for packet in self.packets]

    def take(self, line: bytes) -> bytes:
        """Note a line of the host; the line that answers it, or nothing."""
        packet = parse_line(line)
        if packet is None:
            return b""
        self.packets.append(packet)
        answer = self.answers(packet)
        if answer is None or packet.number is None:
            return b""
        verb, *args = answer.split()
        return Packet(packet.number, verb, tuple(args)).line()


class ScriptedPort(Script):
    """A port in memory: a read without bytes lets its time-out pass on a clock of its own."""

    url = "scripted"

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0
        self.written = b""
        self.closed = False
        self.lost: LinkLost | None = None
        self.on_read: Callable[[], None] = lambda: None
        self._lines = LineSplitter()
        self._incoming = b""

    def clock(self) -> float:
        return self.now_s

    def say(self, data: bytes) -> None:
        self._incoming += data

    def write(self, data: bytes) -> None:
        if self.lost:
            raise self.lost
        self.written += data
        for line in self._lines.feed(data):
            self._incoming += self.take(line)

    def read(self, timeout_s: float) -> bytes:
        self.on_read()
        if self.lost:
            raise self.lost
        data, self._incoming = self._incoming, b""
        if not data:
            self.now_s += timeout_s
        return data

    def close(self) -> None:
        self.closed = True


class Peer(Script):
    """The other end of a pseudo-terminal, read in a thread."""

    def __init__(self) -> None:
        import tty

        super().__init__()
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.url = os.ttyname(self.far)
        self.reading = True
        self._ending = False
        self._pulling = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def stop_reading(self) -> None:
        """Leave what comes in the terminal, as a hung board does."""
        self.reading = False
        time.sleep(0.1)  # a read that has begun is over then

    def say(self, data: bytes) -> None:
        os.write(self.near, data)

    def pull_plug(self) -> None:
        """Both sides gone, as when USB is pulled."""
        self._ending = True
        self._thread.join(2)
        with self._pulling:
            sides, self.far, self.near = (self.far, self.near), -1, -1
        for side in sides:
            if side >= 0:
                os.close(side)

    def _run(self) -> None:
        lines = LineSplitter()
        while not self._ending:
            if not self.reading or not select.select([self.near], [], [], 0.02)[0]:
                continue
            for line in lines.feed(os.read(self.near, 4096)):
                if answer := self.take(line):
                    self.say(answer)


@pytest.fixture
def peer() -> Iterator[Peer]:
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals on this system")
    it = Peer()
    yield it
    it.pull_plug()


@pytest.fixture
def port() -> ScriptedPort:
    return ScriptedPort()
