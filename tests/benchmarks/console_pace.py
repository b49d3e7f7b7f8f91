"""How fast the console paints, what it costs while the dish moves, how soon a jog is at the port.

Run: python tests/benchmarks/console_pace.py [--jogs N]

The console runs as a child in a pseudo-terminal on the simulated yard, with the helm, the port and
all timers it has in use. The child notes when bytes are handed to the serial port; both processes
read the same monotonic clock.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import pty
import re
import select
import statistics
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path
from tempfile import TemporaryDirectory

SIZES = ((80, 24), (120, 40), (160, 50))


def child(url: str, notes: str) -> int:
    """The console, its serial port telling when it is written to."""
    from bridge.helm.helm import Helm
    from bridge.link.client import Adapter
    from sim import protocol_sim
    from tui.console.app import run_console

    file = Path(notes).open("a", buffering=1, encoding="ascii")  # noqa: SIM115
    write = protocol_sim.Serial.write

    def noting_write(self: protocol_sim.Serial, data: bytes, /) -> int:
        file.write(f"{time.monotonic()} {bytes(data).decode('ascii', 'replace')!r}\n")
        return write(self, data)

    protocol_sim.Serial.write = noting_write  # type: ignore[method-assign,assignment]
    protocol_sim.register()
    helm = Helm(lambda: Adapter.open(url), port=url, live=False)
    return run_console(helm.start())


class Console:
    """A child on a pty."""

    def __init__(self, folder: Path, width: int, height: int, url: str = "sim://larkmere") -> None:
        self.notes = folder / f"{width}-{time.monotonic()}.txt"
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
        environ = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR",)}
        environ |= {"TERM": "xterm-256color", "COLORTERM": "truecolor"}
        self.started_s = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, __file__, "--child", url, str(self.notes)],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environ,
            start_new_session=True,
        )
        os.close(slave)
        self.seen = b""

    def read(self, for_s: float) -> int:
        """Read for so long; returns how many bytes came."""
        until_s, count = time.monotonic() + for_s, 0
        while (left_s := until_s - time.monotonic()) > 0:
            if select.select([self.master], [], [], left_s)[0]:
                data = os.read(self.master, 65536)
                self.seen = (self.seen + data)[-200_000:]
                count += len(data)
        return count

    def until(self, words: bytes, within_s: float = 10.0) -> float:
        """Read until words have come; returns when."""
        until_s = time.monotonic() + within_s
        while words not in re.sub(rb"\x1b\[[\d;?]*[a-zA-Z]", b"", self.seen):
            if time.monotonic() > until_s:
                raise SystemExit(f"{words!r} never came: {self.seen[-2000:]!r}")
            self.read(0.005)
        return time.monotonic()

    def press(self, data: bytes) -> float:
        moment_s = time.monotonic()
        os.write(self.master, data)
        return moment_s

    def cpu_s(self) -> float:
        """Seconds of processor the child has used, user and system."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def written(self, verb: str) -> list[float]:
        lines = self.notes.read_text().splitlines()
        return [float(line.split()[0]) for line in lines if verb in line]

    def close(self) -> None:
        self.press(b"\x11")  # ctrl+q
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
        os.close(self.master)


def first_paint(folder: Path) -> list[float]:
    times = []
    for _ in range(5):
        console = Console(folder, 80, 24)
        times.append(console.until(b"cautions") - console.started_s)
        console.close()
    return times


def share_of_a_core(folder: Path, width: int, height: int) -> tuple[float, float, float]:
    """(moving, at rest, kB a second while moving)."""
    console = Console(folder, width, height)
    console.until(b"cautions")
    console.press(b"y")
    console.read(1.5)
    console.press(b"d")
    console.read(0.3)
    console.press(b"60s\r")
    console.read(0.3)
    console.press(b"w")
    console.read(2.0)
    before_s, at_s = console.cpu_s(), time.monotonic()
    data = console.read(10.0)
    moving = (console.cpu_s() - before_s) / (time.monotonic() - at_s)
    console.press(b" ")
    console.read(2.0)
    before_s, at_s = console.cpu_s(), time.monotonic()
    console.read(10.0)
    still = (console.cpu_s() - before_s) / (time.monotonic() - at_s)
    console.close()
    return moving, still, data / 10_000


def jog_delays(folder: Path, jogs: int) -> list[float]:
    """Seconds from the key in the terminal to the bytes at the serial port."""
    console = Console(folder, 80, 24)
    console.until(b"cautions")
    console.press(b"y")
    console.read(1.5)
    delays = []
    for number in range(jogs):
        known = len(console.written("E03169FF"))
        pressed_s = console.press(b"w")
        console.read(0.35 + 0.007 * (number % 7))  # out of step with the timers
        fresh = console.written("E03169FF")[known:]
        if fresh:
            delays.append(fresh[0] - pressed_s)
    console.close()
    return delays


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--jogs", type=int, default=100)
    options = parser.parse_args()
    with TemporaryDirectory() as name:
        folder = Path(name)
        paints = first_paint(folder)
        print(
            f"first paint, start of the process to the cautions: median "
            f"{statistics.median(paints):.2f} s, worst {max(paints):.2f} s of {len(paints)} "
            f"(goal 1 s)"
        )
        for width, height in SIZES:
            moving, still, rate = share_of_a_core(folder, width, height)
            print(
                f"{width}x{height}: moving {moving:6.1%} of a core (goal 33 %), at rest "
                f"{still:6.1%}, {rate:.1f} kB/s to the terminal while moving"
            )
        delays = sorted(jog_delays(folder, options.jogs))
        if delays:
            at99 = delays[min(len(delays) - 1, int(len(delays) * 0.99))]
            print(
                f"jog key to bytes at the port: median {statistics.median(delays) * 1e3:.1f} ms, "
                f"99th percentile {at99 * 1e3:.1f} ms, worst {delays[-1] * 1e3:.1f} ms of "
                f"{len(delays)} heard of {options.jogs} pressed (goal 20 ms)"
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        sys.exit(child(sys.argv[2], sys.argv[3]))
    main()
