"""What the tests of the readers share: whole traces, and files of every kind to damage."""

from __future__ import annotations

import gzip
import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.capture.open import open_capture
from bridge.capture.trace import Capture, Edges, Lines, Samples


def _read_trace(trace: Any) -> tuple[Any, ...]:
    """All that a trace tells, comparable whatever the chunks were."""
    if isinstance(trace, Samples):
        chunks = list(trace.chunks())
        for chunk in chunks:
            assert chunk.dtype == np.float32
            assert chunk.ndim == 1
            assert chunk.size
        values = np.concatenate(chunks) if chunks else np.zeros(0, np.float32)
        return ("samples", trace.name, trace.rate_hz, trace.start_s, trace.volts, values.tobytes())
    if isinstance(trace, Edges):
        pairs = list(trace.chunks())
        for times_s, levels in pairs:
            assert times_s.dtype == np.float64
            assert levels.dtype == np.uint8
            assert times_s.size == levels.size > 0
        times_s = np.concatenate([pair[0] for pair in pairs]) if pairs else np.zeros(0)
        levels = np.concatenate([pair[1] for pair in pairs]) if pairs else np.zeros(0, np.uint8)
        assert bool((times_s[1:] >= times_s[:-1]).all())
        assert bool((levels[1:] != levels[:-1]).all())
        return (
            "edges",
            trace.name,
            trace.start_s,
            trace.end_s,
            times_s.tobytes(),
            levels.tobytes(),
        )
    assert isinstance(trace, Lines)
    return ("lines", trace.name, tuple(trace.chunks()))


@pytest.fixture(scope="session")
def read_trace() -> Callable[[Any], tuple[Any, ...]]:
    return _read_trace


@pytest.fixture(scope="session")
def read_all() -> Callable[[Capture], list[tuple[Any, ...]]]:
    return lambda capture: [_read_trace(trace) for trace in capture.traces]


@pytest.fixture
def load(tmp_path: Path) -> Callable[..., Capture]:
    """Write bytes or text under a name and open it."""

    def write(name: str, content: bytes | str, **options: Any) -> Capture:
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return open_capture(str(path), **options)

    return write


VCD = """$date today $end $timescale 100 ns $end
$scope module top $end
$var wire 1 ! tone $end $var reg 4 # bus [3:0] $end
$var real 64 b volts $end $var string 1 s state $end
$upscope $end $enddefinitions $end
#0 $dumpvars 0! b0000 # r13 b sidle s $end
"""


ROWS = 100  # more than any reader looks at to judge what a column is


def _make_files() -> dict[str, bytes]:
    """A small file of each kind."""
    rng = np.random.default_rng(7)
    volts = 13 + rng.normal(0, 0.3, ROWS)
    body = "".join(
        f"#{(n + 1) * 100}\n{n & 1}!\nb{n % 16:b} #\nr{v:.9g} b\n" for n, v in enumerate(volts[:40])
    )
    counts = (volts * 100).astype("<i2").tobytes()
    wav = (
        b"RIFF"
        + struct.pack("<I", 36 + len(counts))
        + b"WAVEfmt "
        + struct.pack("<IHHIIHH", 16, 1, 2, 96000, 384000, 4, 16)
        + b"data"
        + struct.pack("<I", len(counts))
        + counts
    )
    npy, npz = io.BytesIO(), io.BytesIO()
    np.save(npy, volts)
    np.savez_compressed(npz, volts=volts, rate=100000.0)
    rows = "".join(f"{n * 1e-5:.8f},{v:.5f},{n & 1}\n" for n, v in enumerate(volts))
    table = f"time (s),volts (V),gate\n{rows}"
    edges = "".join(f"{t:.7f}\t{n & 1}\n" for n, t in enumerate(np.cumsum(rng.random(ROWS) * 1e-4)))
    hexes = "".join(f"{n * 0.1:.6f} E0 31 68 {n:02X}\n" for n in range(60))
    return {
        "a.vcd": (VCD + body).encode(),
        "a.vcd.gz": gzip.compress((VCD + body).encode(), mtime=0),
        "a.wav": wav,
        "a.npy": npy.getvalue(),
        "a.npz": npz.getvalue(),
        "a.csv": table.encode(),
        "b.csv": table.replace(",", ";").replace(".", ",").encode(),
        "c.tsv": ("Time [s]\tD0\n" + edges).encode(),
        "d.csv": ("# sample_rate = 100 kHz\n" + "".join(f"{v:.4f}\n" for v in volts)).encode(),
        "a.csv.gz": gzip.compress(table.encode(), mtime=0),
        "a.txt": hexes.encode(),
        "b.hex": b"e03168ff\ne0 31 60\n{ 0xE0, 0x31, 0x6B, 0x07 };\n",
    }


@pytest.fixture(scope="session")
def files() -> dict[str, bytes]:
    return _make_files()
