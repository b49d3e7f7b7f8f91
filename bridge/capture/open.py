"""The suffix -> reader table, with a look at the content; any capture becomes a `Capture`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from typing import Any

from bridge.capture.source import Source
from bridge.capture.trace import Capture
from bridge.errors import CaptureError

Reader = Callable[[Source, float | None, int], Capture]

BLOCK_BYTES = 1 << 20  # bytes read at a time; a pass holds a few dozen times as much (judgement)
# A reader by its module and function, imported when wanted: hex text needs no numpy.
VCD, WAV = "vcd.reader.read_vcd", "wav.read_wav"
TABLE, HEXTEXT = "table.reader.read_table", "hextext.reader.read_hextext"
NPY, NPZ = "npy.read_npy", "npy.read_npz"
READERS = {
    ".vcd": VCD,
    ".wav": WAV, ".wave": WAV, ".rf64": WAV, ".bwf": WAV,
    ".csv": TABLE, ".tsv": TABLE, ".tab": TABLE,
    ".npy": NPY, ".npz": NPZ,
    ".hex": HEXTEXT, ".txt": HEXTEXT, ".log": HEXTEXT, ".json": HEXTEXT, ".jsonl": HEXTEXT,
}  # fmt: skip
MARKS = {  # first bytes (RIFF, numpy.lib.format, ZIP)
    b"RIFF": WAV, b"RIFX": WAV, b"RF64": WAV, b"BW64": WAV,
    b"\x93NUMPY": NPY, b"PK\x03\x04": NPZ,
}  # fmt: skip
BINARY = frozenset(MARKS.values())
KINDS = ".vcd, .wav, .csv, .tsv, .npy, .npz or hex text"


def open_capture(path: str, *, rate_hz: float | None = None, block: int = BLOCK_BYTES) -> Capture:
    """Open a capture of any kind; `-` is stdin, and gzip is unpacked on the way.

    `rate_hz` is the sample rate where the file does not tell it (NumPy arrays, tables without
    times); where a WAV file or a preamble tells one too, `rate_hz` wins, and where rows or time
    stamps carry times, the times win. `block` is how many bytes are read at a time. Raises
    CaptureError with one sentence; so may a later pass over a trace.
    """
    if rate_hz is not None and not (math.isfinite(rate_hz) and rate_hz > 0):
        raise CaptureError(f"a sample rate of {rate_hz:g} Hz; give one above 0 with --rate")
    source = Source(path)
    if not source.head:
        raise CaptureError(f"{source.name}: the file is empty; record it again")
    while True:
        try:
            capture = _read(source, rate_hz, max(block, 1))
        except CaptureError:
            if not source.grow_head():  # the beginning of a pipe may not have been enough
                raise
        else:
            return replace(
                capture,
                progress=source.progress,
                announce_last_pass=source.announce_last_pass,
                late_notes=source.notes,
            )


def _read(source: Source, rate_hz: float | None, block: int) -> Capture:
    read: Reader = _function(_choose(source))
    return read(source, rate_hz, block)


def _function(name: str) -> Any:
    """A function of a module in this package, which is imported for it."""
    module, _, function = name.rpartition(".")
    return getattr(import_module(f"bridge.capture.{module}"), function)


def _matches(source: Source, name: str) -> bool:
    test: Callable[[Source], bool] = _function(name)
    return test(source)


def _choose(source: Source) -> str:
    """Name the reader: binary marks decide, then the suffix unless the text shows another kind."""
    for mark, reader in MARKS.items():
        if source.head.startswith(mark):
            return reader
    named = READERS.get(source.suffix)
    if named in BINARY:
        return named  # it says what is wrong with the start
    source.unify_text()
    if named == VCD or _matches(source, "vcd.head.looks_like_vcd"):
        return VCD
    tests = [
        (HEXTEXT, "hextext.reader.looks_like_hextext"),
        (TABLE, "table.head.looks_like_table"),
    ]
    if named == TABLE:
        tests.reverse()
    for reader, test in tests:
        if _matches(source, test):
            return reader
    if named is not None:
        return named
    raise CaptureError(f"{source.name}: no kind of capture that is known; expected {KINDS}")
