"""Frames and their bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.frame import Frame
from bridge.bus.hex_text import parse_hex
from bridge.errors import FrameError

data = st.binary(min_size=1, max_size=8)


@given(data)
def test_any_bytes_come_back(given_bytes):
    assert Frame.parse(given_bytes).build() == given_bytes


@given(data, st.sampled_from([" ", ",", ":", "-", "", ", 0x", "h "]))
def test_hex_in_any_spelling(given_bytes, gap):
    text = gap.join(f"{byte:02X}" for byte in given_bytes)
    text = "0x" + text if gap == ", 0x" else text + "h" if gap == "h " else text
    assert parse_hex(text) == given_bytes


@pytest.mark.parametrize(("given_bytes", "says"), [(b"", "0 bytes"), (bytes(9), "9 bytes")])
def test_length_is_judged_first(given_bytes, says):
    with pytest.raises(FrameError, match=says):
        Frame.parse(given_bytes)


@pytest.mark.parametrize("text", ["", "E0 3", "E0 31 GG", "0x123", "hello"])
def test_bad_hex_is_named(text):
    with pytest.raises(FrameError):
        parse_hex(text)


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0xE0, None, 0x60),
        Frame(0xE0, 0x31, None, b"\x01"),
        Frame(0xE4, 0x31, 0x60),
        Frame(0x1E0, 0x31, 0x60),
        Frame(0xE0, 0x31, 0x60, bytes(6)),
    ],
)
def test_fields_with_a_hole_make_no_frame(frame):
    with pytest.raises(FrameError):
        frame.build()
