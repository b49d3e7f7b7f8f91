"""Frames and their bytes, and hex text of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.frame import Frame, Head, head_of
from bridge.bus.hex_text import parse_hex
from bridge.errors import FrameError

data = st.binary(min_size=1, max_size=8)


@given(data)
def test_any_bytes_come_back(given_bytes):
    assert Frame.parse(given_bytes).build() == given_bytes


@pytest.mark.parametrize(
    ("hex_text", "frame"),
    [
        ("E0", Frame(0xE0)),
        ("E0 31", Frame(0xE0, 0x31)),
        ("E0 31 60", Frame(0xE0, 0x31, 0x60)),
        ("E0 31 6E E1 60", Frame(0xE0, 0x31, 0x6E, b"\xe1\x60")),
        ("E4 31 60", Frame(0xE4, data=b"\x31\x60")),
        ("70 12 34 56 78 9A BC DE", Frame(0x70, 0x12, 0x34, bytes.fromhex("56789ABCDE"))),
    ],
)
def test_which_byte_is_which(hex_text, frame):
    """A command has an address and a command byte, a reply has data alone (specification)."""
    assert Frame.parse(bytes.fromhex(hex_text)) == frame
    assert frame.hex == hex_text
    assert frame.body == bytes.fromhex(hex_text)[1:]


@given(data, st.sampled_from([" ", ",", ":", "-", "", ", 0x", "h "]))
def test_hex_in_any_spelling(given_bytes, gap):
    text = gap.join(f"{byte:02X}" for byte in given_bytes)
    text = "0x" + text if gap == ", 0x" else text + "h" if gap == "h " else text
    assert parse_hex(text) == given_bytes


@pytest.mark.parametrize(("given_bytes", "length"), [(b"", 0), (bytes(9), 9)])
def test_a_frame_has_1_to_8_bytes(given_bytes, length):
    with pytest.raises(FrameError) as caught:
        Frame.parse(given_bytes)
    says = f"a frame of {length} bytes; the bus carries 1 to 8, commands 3 to 6"
    assert str(caught.value) == says


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no bytes; write them as E0 31 68 FF"),
        (" , ", "no bytes; write them as E0 31 68 FF"),
        ("E0 3", "'3' is not hex; write bytes as E0 31 68 FF"),
        ("E0 31 GG", "'GG' is not hex; write bytes as E0 31 68 FF"),
        ("0x123", "'0x123' is not hex; write bytes as E0 31 68 FF"),
        ("hello", "'hello' is not hex; write bytes as E0 31 68 FF"),
    ],
)
def test_bad_hex_is_named(text, says):
    with pytest.raises(FrameError) as caught:
        parse_hex(text)
    assert str(caught.value) == says


@pytest.mark.parametrize(
    ("frame", "says"),
    [
        (Frame(0xE0, None, 0x60), "a field is missing before one that is there"),
        (Frame(0xE0, 0x31, None, b"\x01"), "a field is missing before one that is there"),
        (Frame(0xE0, None, None, b"\x01"), "a field is missing before one that is there"),
        (Frame(0xE4, 0x31, 0x60), "a reply has no address and no command"),
        (Frame(0xE4, 0x31), "a reply has no address and no command"),
        (Frame(0xE4, None, 0x60), "a reply has no address and no command"),
        (Frame(0x1E0, 0x31, 0x60), "byte 480 is outside 0 to 255"),
        (Frame(0xE0, -1, 0x60), "byte -1 is outside 0 to 255"),
        (Frame(0xE0, 0x31, 256), "byte 256 is outside 0 to 255"),
        (Frame(0xE0, 0x31, 0x60, bytes(6)), "a frame of 9 bytes; the bus carries at most 8"),
        (Frame(0xE4, data=bytes(8)), "a frame of 9 bytes; the bus carries at most 8"),
    ],
)
def test_fields_that_make_no_frame(frame, says):
    with pytest.raises(FrameError) as caught:
        frame.build()
    assert str(caught.value).partition(":")[0] == says


def test_bounds_of_a_byte():
    assert Frame(0, 255, 0).build() == b"\x00\xff\x00"


@pytest.mark.parametrize(
    ("byte_values", "head"),
    [
        ((), Head(None)),
        ((0xE0,), Head(0xE0)),
        ((0xE0, None, 0x60), Head(0xE0, None, 0x60)),
        ((None, 0x31, 0x60, 0xFF), Head(None, 0x31, 0x60)),
        ((0xE4, 0x31, 0x60), Head(0xE4)),
        ((0xE7, None), Head(0xE7)),
    ],
)
def test_what_is_known_of_a_message_with_lost_bytes(byte_values, head):
    assert head_of(byte_values) == head


@pytest.mark.parametrize(
    ("framing", "repeat"),
    [(0xE0, 0xE1), (0xE1, 0xE1), (0xE2, 0xE3), (0xE3, 0xE3), (0xE4, 0xE4), (0xA0, 0xA0)],
)
def test_the_repeat_of_a_frame(framing, repeat):
    frame = Frame(framing, data=b"\x80") if framing == 0xE4 else Frame(framing, 0x31, 0x68, b"\xff")
    assert frame.as_repeat.build() == bytes([repeat]) + frame.build()[1:]


@pytest.mark.parametrize(("hex_text", "ms"), [("E4", 13.5), ("E0 31 60", 40.5), ("E0" * 6, 81.0)])
def test_the_time_that_a_frame_takes(hex_text, ms):
    """13.5 ms a byte (Bus Functional Specification, message format; from memory)."""
    assert Frame.parse(bytes.fromhex(hex_text)).duration_s == pytest.approx(ms * 1e-3)
