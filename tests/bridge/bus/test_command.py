"""Typed commands, their words and their sentences."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus import standard as std
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
from bridge.bus.meaning import meaning_of
from bridge.bus.words import parse_words
from bridge.errors import FrameError, WordsError

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


@given(st.binary(min_size=1, max_size=8), st.binary(min_size=1, max_size=8) | st.none())
def test_any_frame_has_a_sentence(data, asked):
    meaning = meaning_of(Frame.parse(data), Frame.parse(asked) if asked else None)
    assert meaning.name
    assert meaning.sentence.endswith(".")


@pytest.mark.parametrize("byte", std.COMMANDS)
def test_every_command_of_the_table_has_its_own_sentence(byte):
    entry = std.COMMANDS[byte]
    frame = Frame(0xE0, 0x31, byte, bytes([1] * entry.fewest))
    others = {
        meaning_of(Frame(0xE0, 0x31, other.byte, bytes([1] * other.fewest))).sentence
        for other in std.COMMANDS.values()
        if other.byte != byte
    }
    assert meaning_of(frame).sentence not in others


@pytest.mark.parametrize(
    ("words", "hex_text"),
    [
        ("halt", "E0 31 60"),
        ("drive east 1 count", "E0 31 68 FF"),
        ("drive west 3 seconds", "E0 31 69 03"),
        ("DRIVE WEST 128 counts", "E0 31 69 80"),
        ("store 7", "E0 31 6A 07"),
        ("goto 7", "E0 31 6B 07"),
        ("limit east", "E0 31 66"),
        ("limit west", "E0 31 67"),
        ("limits on", "E0 31 6A 00"),
        ("limits off", "E0 31 63"),
        ("goto angle 22.0E", "E0 31 6E E1 60"),
        ("goto angle 10,5 west", "E0 31 6E D0 A8"),
        ("status", "E2 31 64"),
        ("write port 0 horizontal high A A", "E0 10 38 F3"),
        ("write port 0 vertical low B A", "E0 10 38 F4"),
        ("write port 0 horizontal", "E0 10 38 22"),
        ("write port 0 0xF1", "E0 10 38 F1"),
        ("write analogue 0 12", "E0 21 48 0C"),
        ("standby", "E0 00 02"),
        ("switch S1B", "E0 10 2C"),
        ("raw E0 31 68 FF", "E0 31 68 FF"),
        ("e03168ff", "E0 31 68 FF"),
        ("0xE0, 0x31, 0x60", "E0 31 60"),
    ],
)
def test_words(words, hex_text):
    assert parse_words(words.split()).hex == hex_text
    assert parse_words([words]).hex == hex_text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("", "no command"),
        ("dance", "is no command"),
        ("drive east", "no bound"),
        ("drive up 1 count", "'east' or 'west'"),
        ("drive east many counts", "whole number"),
        ("drive east 129 counts", "outside 1 to 128"),
        ("drive east 0 seconds", "outside 1 to 127"),
        ("drive east 128 seconds", "outside 1 to 127"),
        ("store 0", "outside 1 to 255"),
        ("goto 256", "outside 0 to 255"),
        ("goto angle 200E", "outside 0 to 180"),
        ("goto angle up", "written 22.0E"),
        ("write port 0 A A A", "twice"),
        ("write port 0", "name the lines"),
        ("write analogue 0", "takes 1 bytes"),
        ("write analogue 0 300", "outside 0 to 255"),
        ("raw E0 31 6", "not hex"),
        ("raw 00 01 02 03 04 05 06 07 08", "9 bytes"),
    ],
)
def test_bad_words_get_one_sentence(words, says):
    with pytest.raises(WordsError, match=says):
        parse_words(words.split())


def test_a_drive_cannot_have_two_bounds():
    with pytest.raises(FrameError, match="not by both"):
        frame_of(Drive("east", counts=1, seconds=1))


@pytest.mark.parametrize(
    ("hex_text", "says"),
    [
        ("E1 31 68 FF", "Repeated: Drive east 1 count"),
        ("E0 31 69 00", "without a bound"),
        ("E0 31 6E 01 60", "not acted on"),
        ("E0 31 6E FE A0", "-22 degrees as a signed number"),
        ("E0 31 61", "not settled"),
        ("E0 31 60 00", "1 byte too many"),
        ("E0 31 68", "without the 1 byte"),
        ("E0 10 38 F3", "horizontal, high, position A, option A"),
        ("E0 00 58 11 75 00", "11.75 GHz"),
        ("E0 10 5A 12 34", "EN 50494"),
        ("70 12 34 56", "EN 50607"),
        ("A3 7D 4F", "not in the standard"),
        ("E0 31 7F", "not in the standard"),
        ("E0 99 60", "unassigned address 99"),
        ("E0 F4 60", "manufacturer's own"),
        ("E0", "breaks off"),
        ("E0 31", "breaks off"),
        ("E5", "not supported"),
        ("E6", "parity error"),
        ("E7", "not recognised"),
        ("E4 12", "with data 12"),
    ],
)
def test_sentences(hex_text, says):
    assert says in meaning_of(Frame.parse(bytes.fromhex(hex_text))).sentence
