"""The other end of a pseudo-terminal, answering as a test tells it to."""

from __future__ import annotations

import os
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator

import pytest

from bridge.link.packet import LineSplitter, Packet, parse_line


class Peer:
    """Reads lines in a thread; `answers(packet)` gives the body of the answer, or None."""

    def __init__(self) -> None:
        import tty

        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.url = os.ttyname(self.far)
        self.packets: list[Packet] = []
        self.answers: Callable[[Packet], str | None] = self.obey
        self.boot = 1
        self.reading = True
        self._ending = False
        self._pulling = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def obey(self, packet: Packet) -> str | None:
        """What an adapter without a bus would say."""
        match packet.verb:
            case "greet":
                return f"ok 1 scripted {self.boot} 8 -"
            case "send":
                return "ok 1.0"
            case "status":
                return "ok t_s=1 supply_v=13 trips=0"
            case _:
                return "ok"

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

    def verbs(self) -> list[str]:
        return [packet.verb for packet in self.packets]

    def _run(self) -> None:
        lines = LineSplitter()
        while not self._ending:
            if not self.reading or not select.select([self.near], [], [], 0.02)[0]:
                continue
            for line in lines.feed(os.read(self.near, 4096)):
                packet = parse_line(line)
                if packet is None:
                    continue
                self.packets.append(packet)
                answer = self.answers(packet)
                if answer is not None and packet.number is not None:
                    verb, *args = answer.split()
                    self.say(Packet(packet.number, verb, tuple(args)).line())


@pytest.fixture
def peer() -> Iterator[Peer]:
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals on this system")
    it = Peer()
    yield it
    it.pull_plug()
