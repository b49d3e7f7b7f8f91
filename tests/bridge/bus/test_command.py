"""Typed commands and their frames.

Data bytes: Positioner Application Note (from memory); the worked pairs of commands and bytes are
in tests/published/test_bus_tables.py.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.command import (
    AskStatus,
    Drive,
    Goto,
    GotoAngle,
    Halt,
    Limits,
    SetLimit,
    Store,
    command_of,
    frame_of,
)
from bridge.bus.frame import Frame
from bridge.errors import FrameError

sides = st.sampled_from(["east", "west"])
commands = st.one_of(
    st.just(Halt()),
    st.just(AskStatus()),
    st.builds(Drive, sides, st.integers(1, 128)),
    st.builds(Drive, sides, st.none(), st.integers(1, 127)),
    st.builds(Drive, sides),
    st.builds(SetLimit, sides),
    st.builds(Limits, st.booleans()),
    st.builds(Store, st.integers(1, 255)),
    st.builds(Goto, st.integers(0, 255)),
    st.builds(GotoAngle, sides, st.integers(0, 180 * 16).map(lambda n: n / 16)),
)


@given(commands)
def test_every_command_comes_back(command):
    assert command_of(Frame.parse(frame_of(command).build())) == command


@pytest.mark.parametrize(
    ("command", "hex_text"),
    [
        (Halt(), "E1 30 60"),
        (Drive("east", counts=128), "E1 30 68 80"),
        (Drive("west", seconds=127), "E1 30 69 7F"),
        (Goto(255), "E1 30 6B FF"),
        (GotoAngle("east", 180), "E1 30 6E EB 40"),
        (GotoAngle("west", 0), "E1 30 6E D0 00"),
        (AskStatus(), "E1 30 64"),
    ],
)
def test_address_and_framing_may_be_others(command, hex_text):
    assert frame_of(command, address=0x30, framing=0xE1).hex == hex_text


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (Drive("east", counts=129), "a drive of 129 is outside 1 to 128 counts"),
        (Drive("east", counts=0), "a drive of 0 is outside 1 to 128 counts"),
        (Drive("west", seconds=128), "a drive of 128 is outside 1 to 127 seconds"),
        (Drive("west", seconds=0), "a drive of 0 is outside 1 to 127 seconds"),
        (Drive("east", 1, 1), "a drive is bounded by counts or by seconds, not by both"),
        (Store(0), "position 0 is outside 1 to 255"),
        (Store(256), "position 256 is outside 1 to 255"),
        (Goto(-1), "position -1 is outside 0 to 255"),
        (Goto(256), "position 256 is outside 0 to 255"),
        (GotoAngle("west", 180.5), "an angle of 180.5 is outside 0 to 180 degrees"),
        (GotoAngle("west", -0.5), "an angle of -0.5 is outside 0 to 180 degrees"),
    ],
)
def test_what_the_bytes_cannot_hold(command, says):
    with pytest.raises(FrameError) as caught:
        frame_of(command)
    assert str(caught.value) == says


@pytest.mark.parametrize(
    "hex_text",
    [
        "E0", "E0 31", "E0 31 68", "E0 31 6A", "E0 31 6B", "E0 31 6E", "E0 31 6E E1",
        "E0 31 6E 01 60", "E0 31 6E FE A0", "E0 31 61", "E0 31 65", "E0 31 6F 01", "E0 31 7F",
        "E0 10 38 F0", "E0 31 00", "E4 80", "E4 31 60", "E8 31 60", "A0 31 60",
    ],
)  # fmt: skip
def test_what_is_no_whole_and_sure_command(hex_text):
    assert command_of(Frame.parse(bytes.fromhex(hex_text))) is None


@pytest.mark.parametrize(
    ("hex_text", "command"),
    [
        ("E3 31 60", Halt()),
        ("E0 31 60 00 00", Halt()),  # trailing zeros are seen in the field (common practice)
        ("E1 31 68 80", Drive("east", counts=128)),
        ("E2 31 69 7F", Drive("west", seconds=127)),
        ("E0 31 6A 07 00", Store(7)),
        ("E0 31 6E EF FF 00", GotoAngle("east", 255.9375)),
        ("E0 10 6B 07", Goto(7)),  # whom it is for is for others to judge
    ],
)
def test_commands_in_other_spellings(hex_text, command):
    assert command_of(Frame.parse(bytes.fromhex(hex_text))) == command
