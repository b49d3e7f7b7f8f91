"""How fast captures are decoded, as ratios in one run, side by side.

    python tests/benchmarks/decode_speed.py [--seconds S] [--runs N] [--folder DIR]

Analogue: the whole process `arcstep decode --json` on 16 bit WAV files at 1 MS/s, against real
time; beside it a process that does nothing but read the file. Logic: from an array of levels to
events, against a plain numpy pass that finds the edges of the same array, against the least that
the events cost as objects, and against every message read mark by mark (what `batch` earns).
Memory: the highest resident size of the process.

The best of some runs counts, and user and system time are told beside the time that passed, for
machines that are not quiet. Modules are compiled beforehand, as they are once installed; files
are read from the system's cache. The goals: 500 times real time for idle, messages and tone,
and 1.5 times the plain pass.
"""

from __future__ import annotations

import argparse
import os
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from bridge.bus.event import FrameHeard
from bridge.bus.keying.batch import MarkColumns
from bridge.bus.keying.reader import BusReader
from bridge.capture.edges import find_edges
from bridge.decode.line_decoder import EdgeDecoder
from bridge.signal.edge_detector import EdgeDetector
from bridge.signal.waveform import Sending, samples_of

RATE_HZ = 1_000_000
PERIOD_S = 2  # s of samples that are made, and repeated to make a file
FULL_SCALE_V = 25.0
FRAMES = [bytes.fromhex(text) for text in ("E03168FF", "E0316B07", "E2316400", "E03160")]
DENSE = Sending(FRAMES * 7, gap_s=15e-3)  # as close as the standard allows: 14 a second
KINDS = {  # kind -> channels, what is in it
    "idle": (1, "noise"),
    "messages": (1, "one every 2 s"),
    "tone": (1, "22 kHz throughout"),
    "stereo": (2, "messages right, noise left"),
    "dense": (1, "14 messages a second"),
}
NOISE_V = 0.01
LOGIC_LEVELS = 20_000_000
LOGIC_RUNS = 15
CHUNK_LEVELS = 1 << 22


def make_period(kind: str) -> np.ndarray:
    """PERIOD_S of int16, a column a channel."""
    channels = KINDS[kind][0]
    rng = np.random.default_rng(3)
    count = PERIOD_S * RATE_HZ
    volts = 13.0 + NOISE_V * rng.standard_normal((count, channels), np.float32)
    bus = volts[:, -1]
    if kind in ("messages", "stereo", "dense"):
        sending = DENSE if kind == "dense" else Sending(FRAMES[:1])
        wave = np.concatenate(list(samples_of(sending, RATE_HZ))) - 13.0
        bus[: len(wave)] += wave
    elif kind == "tone":
        bus += (0.325 * np.sin(2 * np.pi * 22_000 * np.arange(count) / RATE_HZ)).astype(np.float32)
    digits: np.ndarray = np.rint(volts / FULL_SCALE_V * 32767).astype("<i2")
    return digits


def write_wav(path: Path, kind: str, seconds: int) -> None:
    period = make_period(kind)
    channels = period.shape[1]
    data = 2 * channels * RATE_HZ * seconds
    with path.open("wb") as file:
        file.write(struct.pack("<4sI4s", b"RIFF", min(36 + data, 0xFFFFFFFF), b"WAVE"))
        rates = (RATE_HZ, 2 * channels * RATE_HZ, 2 * channels, 16)
        file.write(struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, channels, *rates))
        file.write(struct.pack("<4sI", b"data", data))
        for _ in range(seconds // PERIOD_S):
            file.write(period.tobytes())


DECODE = """
import sys
from pathlib import Path
from tui.cli import main
try:
    main()
finally:
    sys.stdout.flush()
    status = Path("/proc/self/status").read_text() if Path("/proc").is_dir() else "VmHWM: 0 kB"
    print(next(line for line in status.splitlines() if "VmHWM" in line), file=sys.stderr)
"""
READ = """
import sys
block = memoryview(bytearray(1 << 18))
with open(sys.argv[-1], "rb", buffering=0) as file:
    while file.readinto(block):
        pass
print("VmHWM: 0 kB", file=sys.stderr)
"""


@dataclass(frozen=True, slots=True)
class Cost:
    """What one process took."""

    wall_s: float
    busy_s: float  # user and system time
    lines: int
    peak_mb: float


def run_process(script: str, path: Path, environment: dict[str, str]) -> Cost:
    before = os.times()
    begun = time.perf_counter()
    command = [sys.executable, "-c", script, "decode", "--json", str(path)]
    done = subprocess.run(command, capture_output=True, check=False, env=environment)
    wall_s = time.perf_counter() - begun
    after = os.times()
    busy_s = after.children_user - before.children_user
    busy_s += after.children_system - before.children_system
    peak_kb = float(done.stderr.split(b"VmHWM:")[-1].split()[0])
    return Cost(wall_s, busy_s, done.stdout.count(b"\n"), peak_kb / 1024)


def find_best(script: str, path: Path, environment: dict[str, str], runs: int) -> Cost:
    costs = [run_process(script, path, environment) for _ in range(runs)]
    return replace(
        min(costs, key=lambda cost: cost.wall_s), busy_s=min(cost.busy_s for cost in costs)
    )


def measure_analogue(folder: Path, seconds: int, runs: int) -> None:
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder / "compiled")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    print(f"analogue, 16 bit WAV at 1 MS/s, {seconds} s of it, whole process, best of {runs}")
    print("  kind        time  user+system  x real time  by user+system  events  MB at most")
    path = folder / "capture.wav"
    for kind, (_, content) in KINDS.items():
        write_wav(path, kind, seconds)
        reading = find_best(READ, path, environment, runs)
        run_process(DECODE, path, environment)  # compiles, and brings all into the cache
        cost = find_best(DECODE, path, environment, runs)
        print(
            f"  {kind:9} {cost.wall_s:5.2f} s  {cost.busy_s:9.2f} s  {seconds / cost.wall_s:11.0f}"
            f"  {seconds / cost.busy_s:14.0f}  {cost.lines:6d}  {cost.peak_mb:6.0f}"
            f"      {content}; read alone: {reading.wall_s:.2f} s",
            flush=True,
        )
    write_wav(path, "idle", PERIOD_S)
    cost = find_best(DECODE, path, environment, runs)
    print(f"  of it start-up and end: {cost.wall_s:.2f} s, {cost.busy_s:.2f} s user+system")
    path.unlink()


def find_plainly(levels: np.ndarray) -> np.ndarray:
    return np.flatnonzero(levels[1:] != levels[:-1])


def decode_levels(levels: np.ndarray, rate_hz: float) -> list[object]:
    decoder = EdgeDecoder()
    events: list[object] = []
    blocks = (levels[n : n + CHUNK_LEVELS] for n in range(0, len(levels), CHUNK_LEVELS))
    for times, values in find_edges(blocks, rate_hz, 0.0):
        events += decoder.push(times, values)
    return events + list(decoder.finish())


def decode_by_marks(levels: np.ndarray, rate_hz: float) -> list[object]:
    """The same without `batch`: every message mark by mark."""
    detector, reader = EdgeDetector(), BusReader(0.0)
    events: list[object] = []
    blocks = (levels[n : n + CHUNK_LEVELS] for n in range(0, len(levels), CHUNK_LEVELS))
    for times, values in find_edges(blocks, rate_hz, 0.0):
        update = detector.push(times, values)
        marks = update.marks
        assert isinstance(marks, MarkColumns)
        events += reader.push(replace(update, marks=marks.marks()))
    update, end = detector.finish()
    return events + list(reader.push(update)) + list(reader.finish(end))


def rebuild(events: list[object]) -> list[FrameHeard]:
    """The same frames as new objects, from values that are at hand: the least they cost."""
    rows = [event for event in events if isinstance(event, FrameHeard)]
    return [
        FrameHeard(row.t_s, row.byte_values, row.parity_ok, row.duration_s, bits=row.bits)
        for row in rows
    ]


def time_all(tasks: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Seconds of the processor that each takes at best, taken in turns."""
    best = dict.fromkeys(tasks, float("inf"))
    for _ in range(LOGIC_RUNS):
        for name, task in tasks.items():
            begun = time.process_time()
            task()
            best[name] = min(best[name], time.process_time() - begun)
    return best


def measure_logic() -> None:
    print(f"logic, {LOGIC_LEVELS:,} levels to events, against a plain numpy pass for their edges")
    print(
        "  traffic                     edges  frames  plain pass  decoded  ratio  beyond the pass"
    )
    for rate_hz, gap_s, text in (
        (50e6, 25e-3, "50 MS/s, 12 frames/s"),
        (10e6, 25e-3, "10 MS/s, 12 frames/s"),
        (1e6, 1.0, "1 MS/s, a frame a second"),
        (1e6, 15e-3, "1 MS/s, 14 frames/s"),
    ):
        wave = np.concatenate(list(samples_of(Sending(FRAMES, gap_s=gap_s), RATE_HZ)))
        some = np.repeat((wave > 13.05).astype(np.uint8), round(rate_hz / RATE_HZ))
        levels = np.tile(some, LOGIC_LEVELS // len(some) + 1)[:LOGIC_LEVELS]
        events = decode_levels(levels, rate_hz)
        best = time_all(
            {
                "plain": partial(find_plainly, levels),
                "decoded": partial(decode_levels, levels, rate_hz),
                "by marks": partial(decode_by_marks, levels, rate_hz),
                "objects": partial(rebuild, events),
            }
        )
        edges = np.count_nonzero(levels[1:] != levels[:-1])
        frames = len(rebuild(events))
        print(
            f"  {text:24} {edges / len(levels):8.3%}  {frames:6d}  {best['plain'] * 1e3:7.1f} ms"
            f"  {best['decoded'] * 1e3:4.1f} ms  {best['decoded'] / best['plain']:5.2f}"
            f"  {(best['decoded'] - best['plain']) / frames * 1e6:6.0f} us a frame,"
            f" {best['objects'] / frames * 1e6:.0f} of it to make the object;"
            f" without the batch {best['by marks'] * 1e3:.0f} ms,"
            f" {best['by marks'] / best['decoded']:.1f} times as long"
        )
    print(f"  The pass takes {best['plain'] / frames * 1e6:.0f} us a frame where they are densest:")
    print(f"  1.5 times that would leave {best['plain'] / frames * 5e5:.0f} us to read each one.")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    options = parser.parse_args()
    if hasattr(os, "getloadavg"):
        print(f"load of the machine at the start: {os.getloadavg()[0]:.1f} of {os.cpu_count()}")
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        measure_analogue(Path(folder), options.seconds, options.runs)
    measure_logic()


if __name__ == "__main__":
    main()
