"""NumPy files as numpy itself writes them."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.capture.open import open_capture
from bridge.capture.trace import Capture, Edges, Samples
from bridge.errors import CaptureError

Load = Callable[..., Capture]


def _npy(array: Any) -> bytes:
    file = io.BytesIO()
    np.save(file, array)
    return file.getvalue()


def _npz(*, packed: bool = True, **arrays: Any) -> bytes:
    file = io.BytesIO()
    (np.savez_compressed if packed else np.savez)(file, **arrays)
    return file.getvalue()


def _values(capture: Capture) -> list[list[float]]:
    found = []
    for trace in capture.traces:
        assert isinstance(trace, Samples)
        found.append(np.concatenate(list(trace.chunks())).tolist())
    return found


@pytest.mark.parametrize(
    "dtype", ["<f4", ">f4", "<f8", "<f2", "<i2", ">i2", "<u2", "<i4", "<i8", "u1", "i1"]
)
def test_one_channel_of_any_kind(load: Load, dtype: str) -> None:
    values = np.array([3, 1, 4, 1, 5, 9], dtype)
    capture = load("x.npy", _npy(values), rate_hz=100000.0)
    trace = capture.traces[0]
    assert isinstance(trace, Samples)
    assert (trace.rate_hz, trace.start_s, trace.volts) == (100000, 0, values.dtype.kind == "f")
    assert _values(capture) == [[3, 1, 4, 1, 5, 9]]


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
def test_every_version_of_the_header(load: Load, version: tuple[int, int]) -> None:
    array = np.zeros(3, [("bus µV" if version == (3, 0) else "bus", "<f4")])
    array["bus µV" if version == (3, 0) else "bus"] = [1, 2, 3]
    file = io.BytesIO()
    np.lib.format.write_array(file, array, version=version)
    capture = load("x.npy", file.getvalue(), rate_hz=1.0)
    assert [trace.name for trace in capture.traces] == list(array.dtype.names or ())
    assert _values(capture) == [[1, 2, 3]]


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("shape", [(6, 2), (2, 6), (1, 12), (12, 1)])
def test_channels_side_by_side(load: Load, order: str, shape: tuple[int, int]) -> None:
    array = np.arange(2, 14, dtype=np.int16).reshape(shape, order="C")
    wide = array if shape[0] < shape[1] else array.T
    for block in (1, 7, 4096):
        capture = load("x.npy", _npy(np.asarray(array, order=order)), rate_hz=1e5, block=block)
        assert _values(capture) == wide.tolist()


def test_booleans_and_zeros_and_ones_are_a_line(load: Load) -> None:
    for array in (np.array([0, 0, 1, 1, 0], bool), np.array([0, 0, 1, 1, 0], np.uint8)):
        trace = load("x.npy", _npy(array), rate_hz=10.0).traces[0]
        assert isinstance(trace, Edges)
        ((times_s, levels),) = trace.chunks()
        assert times_s.tolist() == pytest.approx([0, 0.2, 0.4])
        assert levels.tolist() == [0, 1, 0]
        assert trace.end_s == 0.5


def test_the_rate_must_come_from_somewhere(load: Load) -> None:
    with pytest.raises(
        CaptureError, match="does not say its sample rate; give it in Hz with --rate"
    ):
        load("x.npy", _npy(np.zeros(5)))
    with pytest.raises(CaptureError, match="give it in Hz with --rate"):
        load("x.npz", _npz(a=np.zeros(5)))


@pytest.mark.parametrize("packed", [True, False])
@pytest.mark.parametrize(
    "extra", [{"rate": 5e4}, {"fs": 50000}, {"dt": 2e-5}, {"t": 0.5 + np.arange(40) / 5e4}]
)
def test_a_packed_file_may_hold_its_rate(load: Load, packed: bool, extra: dict[str, Any]) -> None:
    content = _npz(packed=packed, bus=np.arange(2.0, 42), other=np.arange(3, 43), **extra)
    capture = load("x.npz", content, block=64)
    assert [trace.name for trace in capture.traces] == ["bus", "other"]
    for trace in capture.traces:
        assert isinstance(trace, Samples)
        assert trace.rate_hz == pytest.approx(5e4)
        assert trace.start_s == (0.5 if "t" in extra else 0)
    assert _values(capture) == [list(range(2, 42)), list(range(3, 43))]


def test_fields_are_channels(load: Load) -> None:
    array = np.zeros(4, [("bus", "<f4"), ("gate", "u1"), ("note", "S3")])
    array["bus"] = [1, 2, 3, 4]
    array["gate"] = [0, 1, 1, 0]
    capture = load("x.npy", _npy(array), rate_hz=1.0)
    assert [trace.name for trace in capture.traces] == ["bus", "gate"]
    assert isinstance(capture.traces[1], Edges)


def test_fewer_values_than_the_header_says(load: Load) -> None:
    content = _npy(np.arange(2.0, 12))
    capture = load("x.npy", content[:-20], rate_hz=1.0)
    assert _values(capture) == [list(range(2, 9))]
    assert "byte 128: the header says 10 values, the file holds 7" in capture.notes[0]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (_npy(np.array([{}], object)), "byte 10: the array holds objects, not numbers; save it as"),
        (b"\x93NUMPY\x04\x00" + bytes(8), r"byte 12: .* cannot be read \(version 4\.0\)"),
        (
            _npy(np.zeros(100)).replace(b"(100,)", b"(-10,)"),
            r"byte 10: the array header cannot be read \(shape \(-10,\)\); save the array again",
        ),
        (_npy(np.zeros((3, 3, 3))), r"shape \(3, 3, 3\)"),
        (_npy(np.zeros(3, complex)), "no numbers for a channel"),
        (_npy(np.zeros(0)), "no numbers for a channel"),
        (_npy(np.zeros(3))[:60], "byte 10: the array header cannot be read"),
        (
            b"\x93NUMPY\x01\x00\x05\x00{abc}",
            r"byte 10: .*read \(malformed node or string\)",
        ),
        (b"\x93NUMPY", "byte 0: no array header within 6 bytes; this is no NumPy file, or it"),
    ],
)
def test_arrays_that_are_no_capture(load: Load, content: bytes, sentence: str) -> None:
    with pytest.raises(CaptureError, match=sentence):
        load("x.npy", content, rate_hz=1.0)


def test_a_packed_file_cut_short(load: Load, read_all: Callable[..., Any]) -> None:
    content = _npz(bus=np.random.default_rng(1).normal(size=5000), rate=1e5)
    with pytest.raises(CaptureError, match="damaged or cut short"):
        load("x.npz", content[:-10])
    broken = bytearray(content)
    broken[3000:3010] = b"\xff" * 10
    with pytest.raises(CaptureError, match="packed data is damaged"):
        read_all(load("y.npz", bytes(broken)))


@pytest.mark.parametrize(
    ("place", "value", "says"),
    [(6, 1, "wants a password"), (8, 99, "is packed in a way that is not read here")],
)
def test_a_locked_or_oddly_packed_file_is_not_called_damaged(
    tmp_path: Path, place: int, value: int, says: str
) -> None:
    """Flag and method lie 2 bytes later in the central directory (layout from memory)."""
    path = tmp_path / "x.npz"
    np.savez(path, bus=np.zeros(100))
    data = bytearray(path.read_bytes())
    data[place] = value
    data[data.index(b"PK\x01\x02") + place + 2] = value
    path.write_bytes(data)
    with pytest.raises(CaptureError, match=says):
        open_capture(str(path), rate_hz=1e5)
