"""Captures damaged at random, decoded whole: events or one sentence, and the same in any blocks."""

from __future__ import annotations

import gzip
import json
import re
import struct
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.capture.open import open_capture
from bridge.capture.write import write_capture
from bridge.decode.traffic import read_traffic
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending
from random_search import examples

SENDING = Sending([bytes.fromhex("E5"), bytes.fromhex("E480")], supply_v=18.0, gap_s=8e-3)
RATES_HZ = {".wav": 48e3, ".csv": 60e3, ".vcd": 1e6}
PLACE = re.compile(r"(?::\d+: |: byte \d+: |: )")  # a line, a byte, or the whole file
MIXED = examples(40)


@cache
def originals() -> dict[str, bytes]:
    files = {}
    with tempfile.TemporaryDirectory() as folder:
        for kind, rate_hz in RATES_HZ.items():
            path = Path(folder) / f"x{kind}"
            write_capture(path, SENDING, rate_hz=rate_hz)
            files[f"x{kind}"] = path.read_bytes()
        wave = np.frombuffer(files["x.wav"][44:], "<i2").astype(np.float32) / 32768 * 25
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


@pytest.mark.parametrize("name", NAMES)
def test_the_originals_are_heard(name: str) -> None:
    events, sentence = outcome(name, originals()[name])
    assert sentence == ""
    frames = [event["hex"] for event in map(json.loads, events) if event["kind"] == "frame"]
    assert frames == ["E5", "E4 80"] or name == "x.txt"


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
    data = originals()[name]
    at = int(share * len(data))
    outcome(name, data[:at] + piece + data[at + gone :])


@MIXED
@given(st.sampled_from(NAMES), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_a_stretch_moved_to_another_place(name: str, one: float, two: float, to: float) -> None:
    data = originals()[name]
    low, high = sorted((int(one * len(data)), int(two * len(data))))
    rest = data[:low] + data[high:]
    at = int(to * len(rest))
    outcome(name, rest[:at] + data[low:high] + rest[at:])


@MIXED
@given(
    st.sampled_from(NAMES),
    st.floats(0, 1),
    st.binary(max_size=6),
    st.integers(0, 60),
    st.integers(64, 5000),
)
@example("two.csv", 0.0, b"", 44, 64)
@example("two.csv", 0.8125, b"", 2, 64)
def test_damaged_or_not_the_blocks_do_not_matter(
    name: str, share: float, piece: bytes, gone: int, block: int
) -> None:
    data = originals()[name]
    at = int(share * len(data))
    damaged = data[:at] + piece + data[at + gone :]
    assert outcome(name, damaged, block) == outcome(name, damaged)


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
