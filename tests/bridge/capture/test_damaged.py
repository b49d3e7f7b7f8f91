"""Captures damaged at random, decoded whole: events or one sentence, and the same in any blocks."""

from __future__ import annotations

import gzip
import json
import re
import struct
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.capture.open import open_capture
from bridge.capture.trace import Edges, Samples, Trace
from bridge.capture.write import write_capture
from bridge.decode.capture_events import read_traffic
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending, samples_of
from random_search import examples

SENDING = Sending([bytes.fromhex("E5"), bytes.fromhex("E480")], supply_v=18.0, gap_s=8e-3)
SHORT = Sending([bytes.fromhex("E5")], supply_v=18.0, gap_s=8e-3)  # where a sample is a row
RATES_HZ = {".wav": 48e3, ".csv": 60e3, ".vcd": 1e6}
PLACE = re.compile(r"(?::\d+: |: byte \d+: |: )")  # a line, a byte, or the whole file
MIXED = examples(40)
WRITTEN = [
    b"nan",
    b"inf",
    b"1e99",
    b"1e999",
    b"\n\n",
    b"#",
    b"\r",
    b'"',
    b"high",
    b"-",
    b"00:00:00.0",
]


@cache
def originals() -> dict[str, bytes]:
    files = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind, rate_hz in RATES_HZ.items():
            path = Path(folder) / f"x{kind}"
            write_capture(path, SENDING, rate_hz=rate_hz)
            files[f"x{kind}"] = path.read_bytes()
        wave = np.concatenate(list(samples_of(SHORT, 48e3)))
        np.save(Path(folder) / "x.npy", wave)
        files["x.npy"] = (Path(folder) / "x.npy").read_bytes()
    files["real.vcd"] = (
        b"$timescale 1 us $end\n$var real 64 ! volts $end\n$var wire 1 % other $end\n"
        b"$enddefinitions $end\n#0 0%\n"
        + b"".join(b"#%d r%.4f !\n" % (21 * n, v) for n, v in enumerate(wave.tolist()))
    )
    files["two.csv"] = b"t;a (V);b (V)\n" + b"".join(
        b"%.6f;%.4f;13.1\n" % (n / 48e3, v - 18) for n, v in enumerate(wave.tolist())
    ).replace(b".", b",")
    files["clock.csv"] = b"time,bus\n" + b"".join(
        b"%02d:%02d:%02d.%06d,%.4f\n" % (*_clock(86399.98 + n * 2e-5), v)
        for n, v in enumerate(wave.tolist())
    )
    files["x.txt"] = b"".join(b"%.3f E0 31 68 %02X\n" % (n / 8, n) for n in range(90))
    files["x.vcd.gz"] = gzip.compress(files["x.vcd"], mtime=0)
    return files


def _clock(time_s: float) -> tuple[int, int, int, int]:
    micros = round(time_s * 1e6) % 86_400_000_000
    seconds, parts = divmod(micros, 1_000_000)
    return seconds // 3600, seconds // 60 % 60, seconds % 60, parts


NAMES = [
    "x.wav",
    "x.csv",
    "x.vcd",
    "x.npy",
    "real.vcd",
    "two.csv",
    "clock.csv",
    "x.txt",
    "x.vcd.gz",
]
FRAMES = {
    **{name: ["E5", "E4 80"] for name in ("x.wav", "x.csv", "x.vcd", "x.vcd.gz")},
    "x.txt": [f"E0 31 68 {n:02X}" for n in range(90)],
}


def outcome(name: str, data: bytes, block: int = 1 << 20) -> tuple[list[str], str]:
    """What is heard, as JSON, and the sentence it ends with, if one."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        events: list[str] = []
        try:
            capture = open_capture(str(path), rate_hz=48e3, block=block)
            events += (json.dumps(event.to_json("x")) for event in read_traffic(capture))
        except CaptureError as error:
            text = str(error)
            assert text.startswith(str(path))
            assert PLACE.match(text.removeprefix(str(path)))
            assert "\n" not in text
            return events, text.removeprefix(folder)
        return events, ""


def contents(name: str, data: bytes, block: int = 1 << 20) -> list[object]:
    """Each trace up to where it breaks off, and the sentence it ends with."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        try:
            capture = open_capture(str(path), rate_hz=48e3, block=block)
        except CaptureError as error:
            return [str(error).removeprefix(folder)]
        found: list[object] = [[note.removeprefix(folder) for note in capture.notes]]
        for trace in capture.traces:
            parts: list[object] = []
            sentence = ""
            try:
                parts.extend(trace.chunks())  # what came before an error stays
            except CaptureError as error:
                sentence = str(error).removeprefix(folder)
            found += [trace.name, join(trace, parts), sentence]
        return found


def join(trace: Trace, parts: list[Any]) -> object:
    if isinstance(trace, Samples):
        samples = np.concatenate([np.zeros(0, np.float32), *parts])
        return (trace.rate_hz, trace.start_s, samples.tobytes())
    if isinstance(trace, Edges):
        times = np.concatenate([np.zeros(0), *(times_s for times_s, _ in parts)])
        levels = np.concatenate([np.zeros(0, np.uint8), *(levels for _, levels in parts)])
        return (trace.start_s, trace.end_s, times.tobytes(), levels.tobytes())
    return [(time_s, frame) for time_s, frame, _ in parts]


def damage(name: str, share: float, piece: bytes, gone: int) -> bytes:
    """An original in which some bytes are replaced by a piece."""
    data = originals()[name]
    at = int(share * len(data))
    return data[:at] + piece + data[at + gone :]


@pytest.mark.parametrize("name", NAMES)
def test_the_originals_are_heard(name: str) -> None:
    events, sentence = outcome(name, originals()[name])
    assert sentence == ""
    frames = [event["hex"] for event in map(json.loads, events) if event["kind"] == "frame"]
    assert frames == FRAMES.get(name, ["E5"])


@MIXED
@given(st.sampled_from(NAMES), st.floats(0, 1), st.integers(0, 40))
@example("x.wav", 0.0, 43)
def test_cut_anywhere(name: str, share: float, more: int) -> None:
    data = originals()[name]
    outcome(name, data[: int(share * len(data)) + more])


@MIXED
@given(st.sampled_from(NAMES), st.floats(0, 1), st.binary(max_size=12), st.integers(0, 200))
def test_a_piece_replaced_left_out_or_put_in(
    name: str, share: float, piece: bytes, gone: int
) -> None:
    outcome(name, damage(name, share, piece, gone))


@MIXED
@given(st.sampled_from(NAMES), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_a_stretch_moved_to_another_place(name: str, one: float, two: float, to: float) -> None:
    data = originals()[name]
    low, high = sorted((int(one * len(data)), int(two * len(data))))
    rest = data[:low] + data[high:]
    at = int(to * len(rest))
    outcome(name, rest[:at] + data[low:high] + rest[at:])


@examples(10)
@given(
    st.sampled_from(NAMES),
    st.floats(0, 1),
    st.binary(max_size=6),
    st.integers(0, 60),
    st.integers(64, 5000),
)
def test_damaged_or_not_the_blocks_do_not_matter(
    name: str, share: float, piece: bytes, gone: int, block: int
) -> None:
    damaged = damage(name, share, piece, gone)
    assert outcome(name, damaged, block) == outcome(name, damaged)


@examples(25)
@given(
    st.sampled_from(NAMES),
    st.floats(0, 1),
    st.one_of(st.binary(max_size=6), st.sampled_from(WRITTEN)),
    st.integers(0, 400),
    st.integers(64, 5000),
)
@example("two.csv", 0.0, b"", 44, 64)  # the header and half a row lost
@example("two.csv", 0.80043, b"", 2, 64)  # a line end lost: a row is missing
@example("x.csv", 0.01798, b"", 389, 200)  # many rows missing
def test_damaged_or_not_each_trace_is_the_same_in_any_blocks(
    name: str, share: float, piece: bytes, gone: int, block: int
) -> None:
    damaged = damage(name, share, piece, gone)
    assert contents(name, damaged, block) == contents(name, damaged)


@MIXED
@given(st.integers(0, 43), st.integers(0, 0xFFFFFFFF), st.sampled_from(["<B", "<H", "<I"]))
@example(22, 0, "<H")
@example(24, 0xFFFFFFFF, "<I")
@example(4, 0xFFFFFFFF, "<I")
@example(40, 0xFFFFFFFF, "<I")
def test_a_wav_header_that_lies(at: int, value: int, form: str) -> None:
    data = bytearray(originals()["x.wav"])
    size = struct.calcsize(form)
    struct.pack_into(form, data, min(at, 44 - size), value % (1 << 8 * size))
    outcome("x.wav", bytes(data))


@MIXED
@given(
    st.sampled_from(["1", "!", "wire", "$end", "$var", "tone", "100 ns", "$enddefinitions", "#0"]),
    st.sampled_from(
        ["", "0", "-1", "1e9", "99999999999", "$end", "$var", "real", "#9", "1 fs", "x"]
    ),
    st.integers(0, 5),
)
def test_a_vcd_header_that_lies(word: str, other: str, which: int) -> None:
    text = originals()["x.vcd"].decode()
    parts = text.split(word)
    n = min(which, len(parts) - 2)
    outcome("x.vcd", (word.join(parts[: n + 1]) + other + word.join(parts[n + 1 :])).encode())


@MIXED
@given(
    st.sampled_from(
        ["<f4", "<f8", "|b1", "<i2", ">u2", "|O", "<M8[s]", "<c8", "|V3", "f4,f4", "x"]
    ),
    st.sampled_from(["()", "(1,)", "(3, 100)", "(10, -1)", "(0,)", "(9999999999,)", "(5, 5, 5)"]),
    st.sampled_from(["False", "True", "None", "1", "exit()"]),
)
def test_a_numpy_header_that_lies(descr: str, shape: str, order: str) -> None:
    head = f"{{'descr': '{descr}', 'fortran_order': {order}, 'shape': {shape}, }}".encode()
    data = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head
    outcome("x.npy", data + originals()["x.npy"][128:])
