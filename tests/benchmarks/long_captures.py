"""Long captures with sparse messages through the whole program: when it speaks, and what it holds.

    .venv/bin/python tests/benchmarks/long_captures.py [--megabytes 4608] [--folder DIR]

Made by repeating blocks, so that making them costs no more than the disk. Each runs as
`arcstep decode --json` into a pipe, from the file, and one through a pipe that is the input too:
time to the first line, time to the end, processor time, and the highest resident size.
"""

from __future__ import annotations

import argparse
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from bridge.signal.waveform import Sending, edges_of, samples_of

RATE_HZ = 1_000_000
PERIOD_S = 5  # s, one message in each
FULL_SCALE_V = 25.0
FRAMES = [bytes.fromhex(text) for text in ("E03168FF", "E0316B07", "E2316400", "E03160")]
SCRIPT = """
import os, sys
from pathlib import Path
from tui.cli import main
try:
    main()
finally:
    sys.stdout.flush()
    status = Path("/proc/self/status").read_text()
    print(status.partition("VmHWM:")[2].split()[0], sum(os.times()[:2]), file=sys.stderr)
"""


def make_wav(path: Path, data: int, mark: bytes) -> None:
    """16 bit at 1 MS/s; RF64 with its ds64 chunk, or RIFF with the sizes left at FFFFFFFF."""
    rng = np.random.default_rng(3)
    periods = []
    for frame in FRAMES:
        volts = 13.0 + 0.01 * rng.standard_normal(PERIOD_S * RATE_HZ).astype(np.float32)
        wave = np.concatenate(list(samples_of(Sending([frame]), RATE_HZ))) - 13.0
        volts[RATE_HZ : RATE_HZ + len(wave)] += wave
        periods.append(np.rint(volts / FULL_SCALE_V * 32767).astype("<i2").tobytes())
    count = max(data // len(periods[0]), 1)
    whole = count * len(periods[0])
    sizes = struct.pack("<4sIQQQI", b"ds64", 28, whole + 72, whole, whole // 2, 0)
    with path.open("wb") as file:
        file.write(mark + b"\xff\xff\xff\xffWAVE" + (sizes if mark == b"RF64" else b""))
        file.write(b"fmt " + struct.pack("<IHHIIHH", 16, 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16))
        file.write(b"data\xff\xff\xff\xff")
        for n in range(count):
            file.write(periods[n % len(periods)])


def make_vcd(path: Path, data: int) -> None:
    """A comparator beside two lines that are busy throughout, stamps of 13 digits."""
    ticks = 10_000_000  # a second
    rng = np.random.default_rng(4)
    changes = []
    for code in "!%":
        busy = np.cumsum(rng.choice([86, 172, 260, 347], 2 * ticks // 200))
        changes += [
            (int(tick), f"{n & 1}{code}") for n, tick in enumerate(busy) if tick < 2 * ticks
        ]
    changes += [
        (round((0.5 + t) * ticks), f"{level}&") for t, level in edges_of(Sending(FRAMES[:1]))
    ]
    changes.sort()
    rows = [(tick, change.encode()) for tick, change in changes]
    with path.open("wb") as file:
        file.write(
            b"$timescale 100 ns $end\n$var wire 1 ! uart $end\n$var wire 1 % spi $end\n"
            b"$var wire 1 & tone $end\n$enddefinitions $end\n#0\n0!\n0%\n0&\n"
        )
        start = 10**12
        while file.tell() < data:
            file.write(b"".join(b"#%d\n%s\n" % (start + tick, change) for tick, change in rows))
            start += 2 * ticks


def make_table(path: Path, data: int) -> None:
    """Time and volts at 250 kHz."""
    rate_hz = 250_000
    volts = 13 + 0.01 * np.random.default_rng(5).standard_normal(2 * rate_hz)
    wave = np.concatenate(list(samples_of(Sending(FRAMES[:1]), rate_hz))) - 13.0
    volts[rate_hz // 2 : rate_hz // 2 + len(wave)] += wave
    fields = [f"{value:.4f}" for value in volts.tolist()]
    with path.open("w") as file:
        file.write("Time (s),CH1 (V)\n")
        done = 0
        while file.tell() < data:
            rows = [f"{(done + n) / rate_hz:.6f},{text}\n" for n, text in enumerate(fields)]
            file.write("".join(rows))
            done += len(rows)


def run(path: Path, *, piped: bool = False) -> None:
    """Print one row of the table."""
    begun_s = time.perf_counter()
    source = subprocess.Popen(["cat", str(path)], stdout=subprocess.PIPE) if piped else None
    process = subprocess.Popen(
        [sys.executable, "-c", SCRIPT, "decode", "--json", "-" if piped else str(path)],
        stdin=source.stdout if source else subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    first_s = time.perf_counter() - begun_s
    lines = 1 + sum(1 for _ in process.stdout)
    peak_kb, busy_s = process.stderr.read().split()[-2:]
    process.wait()
    end_s = time.perf_counter() - begun_s
    name = f"{path.name}{' | -' if piped else ''}"
    print(
        f"{name:<16}{path.stat().st_size / 1e6:9.0f} MB{first_s:9.2f} s{end_s:9.2f} s"
        f"{float(busy_s):9.2f} s{int(peak_kb) / 1024:8.0f} MB{lines:8d}"
    )
    if source is not None:
        source.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=4608)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    given = parser.parse_args()
    data = given.megabytes << 20
    makers: list[tuple[str, Callable[[Path], None]]] = [
        ("rf64.wav", lambda path: make_wav(path, data, b"RF64")),
        ("riff.wav", lambda path: make_wav(path, data, b"RIFF")),
        ("long.vcd", lambda path: make_vcd(path, data // 4)),
        ("long.csv", lambda path: make_table(path, data // 4)),
    ]
    print(f"{'':<16}{'size':>12}{'first':>11}{'end':>11}{'busy':>11}{'peak':>11}{'lines':>8}")
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        for name, make in makers:
            path = Path(folder) / name
            make(path)
            run(path)
            if name == "rf64.wav":
                run(path, piped=True)
            path.unlink()


if __name__ == "__main__":
    main()
