"""How long from a jog key to its bytes on the port, and what the simulated port adds.

Run: python tests/benchmarks/port_latency.py [JOGS]

Everything is measured in one run on this machine: the helm on the simulated yard and on a
pseudo-terminal served by another process, beside the bare time a frame takes on the bus.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from bridge.bus.standard import BYTE_S
from bridge.link.client import Adapter
from bridge.link.port import Port
from sim.protocol_sim import register

ROOT = Path(__file__).parents[2]
JOG = bytes.fromhex("E03168FF")
BUS_MS = len(JOG) * BYTE_S * 1000
TURN = 30  # jogs one way before the other way
GOAL_KEY_MS, GOAL_ADDED_MS = 20.0, 2.0


class TimedPort:
    """Notes when a line that holds a frame is handed to the port."""

    def __init__(self, port: Port) -> None:
        self._write = port.write
        self.sent_s: list[float] = []
        port.write = self.write  # type: ignore[method-assign]

    def write(self, data: bytes) -> None:
        if b" send " in data:
            self.sent_s.append(time.perf_counter())
        self._write(data)


def quantile(values: list[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def key_to_port_ms(url: str, jogs: int) -> list[float]:
    """From the jog key in the console's thread to the line on the port, through the helm."""
    from bridge.helm.helm import Helm

    timed: list[TimedPort] = []

    def opener() -> Adapter:
        adapter = Adapter.open(url)
        timed.append(TimedPort(adapter._port))
        return adapter

    helm = start_helm(Helm, url, opener)
    delays = []
    try:
        for nth in range(jogs):
            helm.beat()
            before = len(timed[0].sent_s)
            pressed_s = time.perf_counter()
            helm.jog("west" if nth // TURN % 2 else "east", time.monotonic())
            while len(timed[0].sent_s) == before:
                if time.perf_counter() - pressed_s > 2.0:
                    raise SystemExit(f"jog {nth} was not sent: {helm.snapshot().error}")
                time.sleep(0.0002)
            delays.append((timed[0].sent_s[before] - pressed_s) * 1000)
            time.sleep(0.07 + 0.013 * (nth % 5))  # let the frame pass; at odds with the polling
            if nth % TURN == TURN - 1:  # the helm wants a dish at rest before it turns
                while helm.snapshot().state != "at rest":
                    helm.beat()
                    time.sleep(0.05)
                time.sleep(1.2)
    finally:
        helm.close()
    return delays


def start_helm(kind, url: str, opener: Callable[[], Adapter]):
    helm = kind(opener, port=url, live=False)
    helm.start()
    end_s = time.monotonic() + 5
    while helm.snapshot().link != "open":
        if time.monotonic() > end_s:
            raise SystemExit(f"no link to {url}: {helm.snapshot().error}")
        time.sleep(0.01)
    helm.acknowledge()
    return helm


def round_trips_ms(url: str, times: int) -> tuple[list[float], list[float]]:
    """A status, and a frame beyond its time on the bus, both through the whole client."""
    with Adapter.open(url) as adapter:
        looks, frames = [], []
        for _ in range(times):
            before_s = time.perf_counter()
            adapter.status()
            looks.append((time.perf_counter() - before_s) * 1000)
        for _ in range(max(20, times // 20)):
            time.sleep(0.02)  # the bus is quiet again
            before_s = time.perf_counter()
            adapter.send(bytes.fromhex("E0311068"))
            frames.append((time.perf_counter() - before_s) * 1000 - BUS_MS)
    return looks, frames


def sleeps_ms(times: int) -> list[float]:
    """How late this machine wakes a thread after as long as a frame takes: nothing of ours."""
    late = []
    for _ in range(times):
        before_s = time.perf_counter()
        time.sleep(BUS_MS / 1000)
        late.append((time.perf_counter() - before_s) * 1000 - BUS_MS)
    return late


def row(what: str, values: list[float], goal: str = "") -> None:
    print(
        f"{what:<44} {statistics.median(values):8.3f} {quantile(values, 0.99):8.3f} "
        f"{max(values):8.3f}  {len(values):5d}  {goal}"
    )


def main() -> None:
    jogs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    register()
    server = subprocess.Popen(
        [sys.executable, "-m", "tui.cli", "serve", "--pty"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert server.stdout is not None
    try:
        ways = {"sim://": "sim://larkmere", "pty": server.stdout.readline().strip()}
        print(f"{'milliseconds':<44} {'median':>8} {'99 %':>8} {'worst':>8}  {'times':>5}  goal")
        row(f"a plain sleep, beyond {BUS_MS:.0f} ms", sleeps_ms(100), "the machine's own share")
        for name, url in ways.items():
            looks, frames = round_trips_ms(url, 2000)
            goal = f"99 % under {GOAL_ADDED_MS:g}"
            row(f"{name}: a status there and back", looks, goal)
            row(f"{name}: a frame, beyond {BUS_MS:.0f} ms on the bus", frames, goal)
        for name, url in ways.items():
            row(
                f"{name}: jog key to bytes on the port",
                key_to_port_ms(url, jogs),
                f"99 % under {GOAL_KEY_MS:g}",
            )
    finally:
        server.terminate()
        server.wait(5)


if __name__ == "__main__":
    main()
