"""How fast captures are decoded, as ratios in one run, side by side.

    python tests/benchmarks/decode_speed.py [--seconds S] [--folder DIR]

Analogue: the whole process `arcstep decode --json` on a 16 bit WAV file at 1 MS/s, against real
time, idle, with a message every two seconds, and with continuous tone. Logic: from an array of
levels to events, against a plain numpy pass that finds the edges of the same array. Memory: the
highest resident size of the process on a short and on a long file.
"""

from __future__ import annotations

import argparse
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from bridge.bus.receiver import EdgeReceiver
from bridge.bus.waveform import Sending, samples_of
from bridge.capture.edges import find_edges

RATE_HZ = 1_000_000
FULL_SCALE_V = 25.0
FRAMES = [bytes.fromhex(text) for text in ("E03168FF", "E0316B07", "E2316400", "E03160")]
NOISE_V = 0.01


def one_period(kind: str, seconds: int) -> np.ndarray:
    """Two seconds of int16, repeated to make a file: idle, one message, or tone."""
    rng = np.random.default_rng(3)
    volts = 13.0 + NOISE_V * rng.standard_normal(seconds * RATE_HZ).astype(np.float32)
    if kind == "messages":
        wave = np.concatenate(list(samples_of(Sending(FRAMES[:1]), RATE_HZ))) - 13.0
        volts[: len(wave)] += wave
    elif kind == "tone":
        at_s = np.arange(len(volts)) / RATE_HZ
        volts += (0.325 * np.sin(2 * np.pi * 22_000 * at_s)).astype(np.float32)
    return np.rint(volts / FULL_SCALE_V * 32767).astype("<i2")


def write_wav(path: Path, kind: str, seconds: int) -> None:
    period = one_period(kind, 2).tobytes()
    octets = 2 * RATE_HZ * seconds
    with path.open("wb") as file:
        file.write(struct.pack("<4sI4s", b"RIFF", min(36 + octets, 0xFFFFFFFF), b"WAVE"))
        file.write(struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, RATE_HZ, 2 * RATE_HZ, 2, 16))
        file.write(struct.pack("<4sI", b"data", octets))
        for _ in range(seconds // 2):
            file.write(period)


SCRIPT = """
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


def run_process(path: Path) -> tuple[float, int, float]:
    """(seconds, lines out, MB resident at most) of the whole process, from start to exit."""
    begun = time.perf_counter()
    command = [sys.executable, "-c", SCRIPT, "decode", "--json", str(path)]
    done = subprocess.run(command, capture_output=True, check=False)
    seconds = time.perf_counter() - begun
    peak_kb = float(done.stderr.split(b"VmHWM:")[-1].split()[0])
    return seconds, done.stdout.count(b"\n"), peak_kb / 1024


def measure_analogue(folder: Path, seconds: int) -> None:
    print(f"analogue, 16 bit WAV at 1 MS/s, {seconds} s of it, whole process")
    for kind in ("idle", "messages", "tone"):
        path = folder / f"{kind}.wav"
        write_wav(path, kind, seconds)
        path.read_bytes()  # both are read from the page cache
        best = min((run_process(path) for _ in range(3)), key=lambda row: row[0])
        print(
            f"  {kind:9} {best[0]:7.2f} s  {seconds / best[0]:7.0f} x real time  "
            f"{best[1]:6d} events  {best[2]:6.0f} MB at most"
        )
        path.unlink()


def measure_logic() -> None:
    print("logic, array of levels to events against a plain numpy pass for its edges")
    wave = np.concatenate(list(samples_of(Sending(FRAMES), RATE_HZ)))
    levels = (wave > 13.05).astype(np.uint8)
    for rate_hz, spread in ((1e6, 1), (10e6, 10), (50e6, 50)):
        some = np.repeat(levels, spread)
        whole = np.tile(some, max(1, 20_000_000 // len(some)))
        plain_s, events_s, events = 1e9, 1e9, 0
        for _ in range(5):
            begun = time.perf_counter()
            np.flatnonzero(whole[1:] != whole[:-1])
            plain_s = min(plain_s, time.perf_counter() - begun)
            begun = time.perf_counter()
            receiver = EdgeReceiver()
            events = 0
            blocks = (whole[n : n + (1 << 22)] for n in range(0, len(whole), 1 << 22))
            for times, values in find_edges(blocks, rate_hz, 0.0):
                events += sum(1 for _ in receiver.push(times, values))
            events += sum(1 for _ in receiver.finish())
            events_s = min(events_s, time.perf_counter() - begun)
        share = len(np.flatnonzero(np.diff(whole))) / len(whole)
        print(
            f"  {rate_hz / 1e6:3.0f} MS/s, {share:7.3%} edges: plain {plain_s * 1e3:6.1f} ms, "
            f"decoded {events_s * 1e3:6.1f} ms, ratio {events_s / plain_s:5.2f}, {events} events"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=300)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    options = parser.parse_args()
    measure_analogue(options.folder, options.seconds)
    measure_logic()


if __name__ == "__main__":
    main()
