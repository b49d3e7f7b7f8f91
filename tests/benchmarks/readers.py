"""How fast captures are read, beside general-purpose readers of the same files, in one run.

    .venv/bin/python tests/benchmarks/readers.py [--megabytes 24] [--large 1024]

Every file is made here and read from the page cache; best of three. Ratios count, not the
absolute figures: they compare passes of one process over the same bytes. `--large` is the
size in megabytes of the files whose peak memory is measured, each in a process of its own.
"""

from __future__ import annotations

import argparse
import io
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from bridge.capture.open import open_capture  # noqa: E402
from bridge.capture.trace import Edges, Samples  # noqa: E402

CARRIER_HZ = 22_000.0  # Hz, nominal tone; bus specification 4.2


def make_vcd(path: Path, size: int) -> None:
    """A comparator's carrier with another busy line beside it."""
    rng = np.random.default_rng(1)
    with path.open("w") as file:
        file.write("$timescale 1 ns $end\n$scope module top $end\n$var wire 1 ! serial $end\n")
        file.write("$var wire 1 # tone $end\n$upscope $end\n$enddefinitions $end\n")
        file.write("#0\n$dumpvars\n0!\n0#\n$end\n")
        tick = 0
        while file.tell() < size:
            times = tick + np.cumsum(rng.normal(0.5e9 / CARRIER_HZ, 200, 50_000).astype(int))
            other = rng.random(times.size) < 0.1
            lines = [
                f"#{t}\n{n & 1}{'!' if o else '#'}\n"
                for n, (t, o) in enumerate(zip(times.tolist(), other.tolist(), strict=True))
            ]
            file.write("".join(lines))
            tick = int(times[-1])


def make_table(path: Path, size: int, *, form: str = "{:.8f},{:.5f}\n") -> None:
    """An oscilloscope's table at 1 MS/s, 18 V with a carrier and noise."""
    rng = np.random.default_rng(2)
    done = 0
    with path.open("w") as file:
        file.write("time,volts\n")
        while file.tell() < size:
            n = np.arange(done, done + 50_000)
            volts = (
                18 + 0.3 * np.sin(2 * np.pi * CARRIER_HZ * n / 1e6) + rng.normal(0, 0.01, n.size)
            )
            file.writelines(map(form.format, (n / 1e6).tolist(), volts.tolist()))
            done += n.size


def make_wav(path: Path, size: int) -> None:
    """16 bit, one channel, 1 MS/s."""
    block = np.random.default_rng(3).integers(-20000, 20000, 1 << 20).astype("<i2").tobytes()
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, 1_000_000, 0, "NONE", ""))
        for _ in range(max(size // len(block), 1)):
            file.writeframesraw(block)


def read(path: Path, name: str | None = None) -> int:
    """Pass over one trace; how many samples or edges it has."""
    capture = open_capture(str(path), rate_hz=1e6)
    trace = capture.trace(name) if name else capture.traces[0]
    if isinstance(trace, Samples):
        return sum(chunk.size for chunk in trace.chunks())
    assert isinstance(trace, Edges)
    return sum(times_s.size for times_s, _ in trace.chunks())


def best(work: Callable[[], object], times: int = 3) -> float:
    """Seconds of the fastest run."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def compare(title: str, size: int, rows: list[tuple[str, Callable[[], object], int, int]]) -> None:
    """Print a table of MB/s; each row is name, work, bytes it reads, runs."""
    print(f"\n{title} ({size / 1e6:.0f} MB)")
    ours = 0.0
    for n, (name, work, data, times) in enumerate(rows):
        speed = data / best(work, times) / 1e6
        ours = speed if n == 0 else ours
        print(f"  {name:<44}{speed:10.1f} MB/s{ours / speed:9.1f} x")


def measure_peak(path: Path, name: str | None) -> tuple[float, float]:
    """Seconds and peak memory in megabytes of one pass in a process of its own."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, __file__, "--one", str(path), *([name] if name else [])],
        check=True,
        capture_output=True,
        text=True,
    )
    return time.perf_counter() - start, float(done.stdout.split()[-1])


def run_libraries(folder: Path, size: int) -> None:
    """Side by side with the libraries."""
    from scipy.io import wavfile
    from vcd.reader import tokenize
    from vcdvcd import VCDVCD

    vcd, csv, exp, wav, npy = (folder / f"x.{s}" for s in ("vcd", "csv", "e.csv", "wav", "npy"))
    make_vcd(vcd, size)
    make_table(csv, size)
    make_table(exp, size, form="{:.9e},{:.5e}\n")
    make_wav(wav, 8 * size)
    np.save(npy, np.fromfile(wav, "<i2", offset=44).astype(np.float32))
    data = vcd.read_bytes()
    part = data[: data.rindex(b"\n#", 0, max(len(data) // 6, 2000)) + 1]
    small = folder / "part.vcd"
    small.write_bytes(part)
    compare(
        "VCD, one line of two, text to edges",
        len(data),
        [
            ("arcstep, edges of the bus", lambda: read(vcd, "tone"), len(data), 3),
            (
                "pyvcd tokenize (a sixth of the file)",
                lambda: sum(1 for _ in tokenize(io.BytesIO(part))),
                len(part),
                1,
            ),
            (
                "vcdvcd, that signal only (a sixth)",
                lambda: VCDVCD(str(small), signals=["top.tone"]),
                len(part),
                1,
            ),
            (
                "numpy: read and count line ends",
                lambda: np.count_nonzero(np.fromfile(vcd, np.uint8) == 10),
                len(data),
                3,
            ),
        ],
    )
    for path, what in ((csv, "fixed decimals"), (exp, "exponents")):
        text = path.read_text()
        few = text[: text.rindex("\n", 0, len(text) // 6) + 1]
        compare(
            f"CSV, time and volts, {what}",
            len(text),
            [
                ("arcstep, evenly spaced volts", lambda p=path: read(p), len(text), 3),
                (
                    "numpy.loadtxt (a sixth of the file)",
                    lambda f=few: np.loadtxt(io.StringIO(f), delimiter=",", skiprows=1),
                    len(few),
                    1,
                ),
            ],
        )
    size_wav = wav.stat().st_size
    compare(
        "WAV, 16 bit, 1 MS/s",
        size_wav,
        [
            ("arcstep, scaled to float", lambda: read(wav), size_wav, 3),
            ("scipy.io.wavfile.read, not scaled", lambda: wavfile.read(wav), size_wav, 3),
            (
                "numpy.fromfile, whole, to float",
                lambda: np.fromfile(wav, "<i2", offset=44).astype(np.float32),
                size_wav,
                3,
            ),
        ],
    )
    seconds = best(lambda: read(wav))
    print(f"  {size_wav / 2 / 1e6 / seconds:,.0f} times real time at 1 MS/s (reader alone)")
    size_npy = npy.stat().st_size
    compare(
        "npy, float32",
        size_npy,
        [
            ("arcstep", lambda: read(npy), size_npy, 3),
            (
                "numpy.load",
                lambda: np.load(npy).sum(dtype=np.float32, initial=0, where=False),
                size_npy,
                3,
            ),
        ],
    )


def run_large(folder: Path, size: int) -> None:
    """Peak memory, and whether the time grows as the length."""
    print(f"\n{'large files':<22}{'MB':>8}{'s':>8}{'MB/s':>8}{'peak MB':>9}")
    makers: list[tuple[str, Callable[[Path, int], None], str | None]] = [
        ("x.wav", make_wav, None),
        ("x.vcd", make_vcd, "tone"),
        ("x.csv", make_table, None),
    ]
    for suffix, make, name in makers:
        for share in (4, 1):
            path = folder / suffix
            make(path, size // share // (1 if suffix == "x.wav" else 4))
            seconds, peak = measure_peak(path, name)
            data = path.stat().st_size / 1e6
            print(f"{suffix:<22}{data:8.0f}{seconds:8.2f}{data / seconds:8.0f}{peak:9.0f}")
            path.unlink()


def main() -> None:
    """Run it all, or one pass when a file is given."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megabytes", type=int, default=24)
    parser.add_argument("--large", type=int, default=1024)
    parser.add_argument("--one", nargs="+")
    given = parser.parse_args()
    if given.one:
        read(Path(given.one[0]), given.one[1] if len(given.one) > 1 else None)
        # not getrusage: its peak counts the parent from before exec as well
        status = Path("/proc/self/status").read_text()
        print(int(status.partition("VmHWM:")[2].split()[0]) / 1024)
        return
    with tempfile.TemporaryDirectory() as name:
        run_libraries(Path(name), given.megabytes << 20)
        if given.large:
            run_large(Path(name), given.large << 20)


if __name__ == "__main__":
    main()
