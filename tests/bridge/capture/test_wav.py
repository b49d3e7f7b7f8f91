"""WAV files against scipy.io.wavfile, and the lies that headers tell."""

from __future__ import annotations

import io
import struct
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.io import wavfile

from bridge.capture.trace import Capture, Samples
from bridge.errors import CaptureError

Load = Callable[..., Capture]
KINDS = {
    "u1": (1, 8),
    "<i2": (1, 16),
    "<i3": (1, 24),
    "<i4": (1, 32),
    "<f4": (3, 32),
    "<f8": (3, 64),
}
GUID = bytes.fromhex("0000 0000 1000 8000 00AA00389B71")


def make_wav(
    data: bytes,
    *,
    kind: str = "<i2",
    channels: int = 1,
    rate: int = 96000,
    extensible: bool = False,
    before: bytes = b"",
    after: bytes = b"",
    told: int | None = None,
    form: bytes = b"RIFF",
) -> bytes:
    tag, bits = KINDS[kind]
    block = channels * bits // 8
    core = struct.pack(
        "<HHIIHH", 0xFFFE if extensible else tag, channels, rate, rate * block, block, bits
    )
    if extensible:
        core += struct.pack("<HHIH", 22, bits, 0, tag) + GUID
    size = len(data) if told is None else told
    chunks = (
        b"fmt "
        + struct.pack("<I", len(core))
        + core
        + before
        + b"data"
        + struct.pack("<I", size)
        + data
    )
    return (
        form
        + struct.pack("<I", (4 + len(chunks) + len(after)) & 0xFFFFFFFF)
        + b"WAVE"
        + chunks
        + after
    )


def _values(capture: Capture) -> list[np.ndarray[Any, Any]]:
    found = []
    for trace in capture.traces:
        assert isinstance(trace, Samples)
        found.append(np.concatenate(list(trace.chunks())))
    return found


@given(
    st.sampled_from(list(KINDS)),
    st.integers(1, 3),
    st.booleans(),
    st.binary(min_size=48, max_size=600),
    st.sampled_from([44100, 48000, 96000, 192000, 1000000]),
)
def test_samples_are_what_scipy_reads(  # noqa: PLR0917
    tmp_path_factory: pytest.TempPathFactory,
    kind: str,
    channels: int,
    extensible: bool,
    block: bytes,
    rate: int,
) -> None:
    from bridge.capture.open import open_capture

    frame = KINDS[kind][1] // 8 * channels
    data = block[: len(block) // frame * frame]
    content = make_wav(data, kind=kind, channels=channels, rate=rate, extensible=extensible)
    path = tmp_path_factory.getbasetemp() / "x.wav"
    path.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        rate_hz, expected = wavfile.read(io.BytesIO(content))
    expected = expected.reshape(-1, channels)
    capture = open_capture(str(path))
    for n, trace in enumerate(capture.traces):
        assert isinstance(trace, Samples)
        assert trace.rate_hz == rate_hz
        assert trace.start_s == 0
        assert not trace.volts
        scale = {"u1": 128, "<i2": 2**15, "<i3": 2**31, "<i4": 2**31}.get(kind, 1)
        offset = 128 if kind == "u1" else 0
        with np.errstate(all="ignore"):
            wanted = ((expected[:, n].astype(np.float64) - offset) / scale).astype(np.float32)
            values = np.concatenate(list(trace.chunks()))
            np.testing.assert_allclose(values, wanted, rtol=1e-6, equal_nan=True)
            assert trace.raw_chunks is not None
            raw = np.concatenate(list(trace.raw_chunks())).astype(np.float64)
            raw = (raw + trace.raw_offset) * trace.raw_scale
            np.testing.assert_allclose(raw.astype(np.float32), wanted, rtol=1e-6, equal_nan=True)


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, np.float32, np.float64])
def test_what_scipy_writes(load: Load, dtype: Any) -> None:
    file = io.BytesIO()
    values = np.arange(7).astype(dtype)  # odd: scipy leaves out the pad byte
    wavfile.write(file, 48000, values)
    assert _values(load("x.wav", file.getvalue()))[0].size == 7


@pytest.mark.parametrize("pad", [b"", b"\0"])
@pytest.mark.parametrize("name", [b"LIST", b"note"])
@pytest.mark.parametrize("size", [20, 40])  # 40 is a printable byte, as those of an id are
def test_odd_chunks_with_and_without_a_pad_byte(
    load: Load, pad: bytes, name: bytes, size: int
) -> None:
    data = bytes(range(1, size + 1))
    odd = name + struct.pack("<I", 5) + b"INFO\x01" + pad
    content = make_wav(data, before=odd)
    np.testing.assert_array_equal(
        _values(load("x.wav", content))[0], np.frombuffer(data, "<i2") / np.float32(32768)
    )


def test_an_odd_chunk_without_a_pad_byte_before_an_unknown_one(load: Load) -> None:
    unknown = b"abcd" + struct.pack("<I", 4) + bytes(4)
    content = make_wav(bytes(20), before=b"LIST" + struct.pack("<I", 5) + b"INFO\x01" + unknown)
    assert _values(load("x.wav", content))[0].size == 10


def test_tags_behind_the_data_are_no_samples(load: Load) -> None:
    tags = b"LIST" + struct.pack("<I", 4) + b"INFO"
    assert _values(load("x.wav", make_wav(bytes(20), after=tags)))[0].size == 10


@pytest.mark.parametrize("told", [0, 1000, 0x7FFFFFFF])
def test_a_data_size_that_lies(load: Load, told: int) -> None:
    capture = load("x.wav", make_wav(bytes(40), told=told))
    assert _values(capture)[0].size == 20
    (note,) = capture.notes
    assert f"byte 40: the data chunk says {told:,} bytes, the file holds 40" in note


def test_a_size_that_was_not_known_is_read_to_the_end(load: Load) -> None:
    capture = load("x.wav", make_wav(bytes(40), told=0xFFFFFFFF))
    assert _values(capture)[0].size == 20
    assert capture.notes == ()


def test_a_file_longer_than_its_size_field_can_tell(
    load: Load, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The field starts again at 0, after 1,024 bytes here and not 4 GB."""
    monkeypatch.setattr("bridge.capture.wav_chunks.SIZE_WRAP", 1024)
    capture = load("x.wav", make_wav(bytes(3 * 1024 + 60), told=60))
    assert _values(capture)[0].size == (3 * 1024 + 60) // 2
    assert capture.notes == ()
    assert _values(load("y.wav", make_wav(bytes(1000), told=60)))[0].size == 30


def test_a_last_sample_that_is_not_whole(load: Load) -> None:
    capture = load("x.wav", make_wav(bytes(41), channels=2))
    assert _values(capture)[1].size == 10
    assert "not whole (1 of 4 bytes)" in capture.notes[0]


def test_sizes_of_64_bits(load: Load) -> None:
    data = bytes(range(40))
    content = bytearray(make_wav(data, told=0xFFFFFFFF, form=b"RF64", after=b"LIST\4\0\0\0INFO"))
    content[12:12] = b"ds64" + struct.pack("<IQQQI", 28, 0, len(data), 20, 0)
    capture = load("x.wav", bytes(content))
    assert _values(capture)[0].size == 20
    assert capture.notes == ()


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda w: w[:11], "byte 0"),
        (lambda w: w[:20], "byte 20.*the fmt chunk holds 0 bytes|without a fmt chunk"),
        (lambda w: w[:36], "byte 36: the file ends without a data chunk"),
        (lambda w: w[:44], "byte 44: no whole sample"),
        (lambda w: b"RIFX" + w[4:], "big-endian"),
        (lambda w: w[:20] + b"\x55\0" + w[22:], "byte 20: sample kind 0x0055 is compressed"),
        (lambda w: w[:22] + b"\0\0" + w[24:], "byte 20: 0 channels; allowed are 1 to 256"),
        (lambda w: w[:22] + b"\1\1" + w[24:], "byte 20: 257 channels; allowed are 1 to 256; the"),
        (lambda w: w[:16] + b"\x0f" + w[17:], "byte 20: the fmt chunk holds 15 bytes, at least 16"),
        (lambda w: w[:20] + b"\xfe\xff" + w[22:], "byte 20: the extensible fmt chunk has no known"),
        (lambda w: w[:24] + b"\0\0\0\0" + w[28:], "byte 20: a sample rate of 0 Hz"),
        (lambda w: w[:34] + b"\x0c\x01" + w[36:], "byte 20: 268 bits a sample"),
    ],
)
def test_a_header_that_cannot_be_true(
    load: Load, change: Callable[[bytes], bytes], sentence: str
) -> None:
    with pytest.raises(CaptureError, match=sentence):
        load("x.wav", change(make_wav(bytes(40))))


def test_a_rate_given_by_hand_wins_and_is_told(load: Load) -> None:
    capture = load("x.wav", make_wav(bytes(40)), rate_hz=48001.0)
    trace = capture.traces[0]
    assert isinstance(trace, Samples)
    assert trace.rate_hz == 48001
    assert "48,001 instead, as --rate asks" in " ".join(capture.notes)


def test_256_channels_are_numbered(load: Load) -> None:
    capture = load("x.wav", make_wav(bytes(range(256)) * 4, channels=256))
    assert [trace.name for trace in capture.traces][::255] == ["channel 1", "channel 256"]
    assert _values(capture)[0].size == 2


def test_a_format_behind_the_data_is_found(load: Load) -> None:
    plain = make_wav(bytes(range(40)))
    moved = plain[:12] + plain[36:] + plain[12:36]
    np.testing.assert_array_equal(
        _values(load("x.wav", moved))[0], _values(load("y.wav", plain))[0]
    )


def test_a_second_data_chunk_is_left_out(load: Load) -> None:
    plain = make_wav(bytes(range(40)))
    second = b"data" + struct.pack("<I", 4) + b"\xff" * 4
    moved = plain[:12] + plain[36:] + second + plain[12:36]
    assert _values(load("x.wav", moved))[0].size == 20
