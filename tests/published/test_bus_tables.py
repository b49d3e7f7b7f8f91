"""The tables and codes against the standard.

EUTELSAT, DiSEqC Bus Functional Specification 4.2 (25 February 1998), framing table and command
table as cross-read in public copies; Positioner Application Note 1.0 (15 March 1998). Values
marked "from memory" were recalled, not read, when the checks were written.
"""

from __future__ import annotations

import pytest

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
from bridge.bus.meaning import meaning_of, positioner_flags
from bridge.bus.standard import PositionerFlag

# Framing byte: (byte, reply?, reply wanted?, repeat?), Bus Functional Specification, framing table
FRAMING = [
    (0xE0, False, False, False),
    (0xE1, False, False, True),
    (0xE2, False, True, False),
    (0xE3, False, True, True),
    (0xE4, True, False, False),
    (0xE5, True, False, False),
    (0xE6, True, False, False),
    (0xE7, True, False, False),
]


@pytest.mark.parametrize(("code", "reply", "wanted", "repeat"), FRAMING)
def test_framing_byte_as_in_the_specification(code, reply, wanted, repeat):
    frame = Frame.parse(bytes([code, 0x31, 0x60]))
    assert (frame.is_reply, frame.reply_wanted, frame.is_repeat) == (reply, wanted, repeat)


def test_framing_table_is_complete():
    assert sorted(std.FRAMINGS) == [code for code, *_ in FRAMING]


# Command byte, fewest and most data bytes, Bus Functional Specification, command table. The names
# of the functions are the table's, said shortly; the numbers of data bytes are from memory, and
# so are 5A and 5B (EN 50494).
COMMAND_BYTES = {
    0x00: ("reset", 0, 0), 0x01: ("clear reset flag", 0, 0),
    0x02: ("standby", 0, 0), 0x03: ("power on", 0, 0),
    0x04: ("set contention", 0, 0), 0x05: ("address if contention", 0, 0),
    0x06: ("clear contention", 0, 0), 0x07: ("address if no contention", 0, 0),
    0x08: ("change address if contention", 1, 1), 0x09: ("change address if no contention", 1, 1),
    0x10: ("device status", 0, 0), 0x11: ("configuration", 0, 0),
    0x14: ("switch 0 flags", 0, 0), 0x15: ("switch 1 flags", 0, 0),
    0x16: ("switch 2 flags", 0, 0), 0x17: ("switch 3 flags", 0, 0),
    0x20: ("low oscillator", 0, 0), 0x21: ("vertical", 0, 0),
    0x22: ("position A", 0, 0), 0x23: ("option A", 0, 0),
    0x24: ("high oscillator", 0, 0), 0x25: ("horizontal", 0, 0),
    0x26: ("position B", 0, 0), 0x27: ("option B", 0, 0),
    0x28: ("switch S1A", 0, 0), 0x29: ("switch S2A", 0, 0),
    0x2A: ("switch S3A", 0, 0), 0x2B: ("switch S4A", 0, 0),
    0x2C: ("switch S1B", 0, 0), 0x2D: ("switch S2B", 0, 0),
    0x2E: ("switch S3B", 0, 0), 0x2F: ("switch S4B", 0, 0),
    0x30: ("sleep", 0, 0), 0x31: ("awake", 0, 0),
    0x38: ("write port 0", 1, 1), 0x39: ("write port 1", 1, 1),
    0x3A: ("write port 2", 1, 1), 0x3B: ("write port 3", 1, 1),
    0x40: ("read analogue 0", 0, 0), 0x41: ("read analogue 1", 0, 0),
    0x48: ("write analogue 0", 1, 1), 0x49: ("write analogue 1", 1, 1),
    0x4F: ("write analogue 7", 1, 1),
    0x50: ("oscillator string", 0, 0), 0x51: ("oscillator now", 0, 0),
    0x52: ("oscillator low", 0, 0), 0x53: ("oscillator high", 0, 0),
    0x58: ("write frequency", 2, 3), 0x59: ("write channel", 2, 2),
    0x5A: ("single-cable channel change", 2, 2), 0x5B: ("single-cable installation", 2, 2),
    0x60: ("halt", 0, 0), 0x61: ("go east", 0, 0), 0x62: ("go west", 0, 0),
    0x63: ("limits off", 0, 0), 0x64: ("status", 0, 0), 0x65: ("read counter", 0, 0),
    0x66: ("limit east", 0, 0), 0x67: ("limit west", 0, 0),
    0x68: ("drive east", 1, 1), 0x69: ("drive west", 1, 1),
    0x6A: ("store", 1, 1), 0x6B: ("goto", 1, 1),
    0x6C: ("goto counter", 2, 2), 0x6D: ("write counter", 2, 2),
    0x6E: ("goto angle", 2, 2), 0x6F: ("set positions", 1, 3),
}  # fmt: skip
UNSETTLED = {0x61, 0x62, 0x65, 0x6C, 0x6D, 0x6F}  # public tables differ in them (common practice)


def test_command_table_as_in_the_specification():
    found = {row.byte: (row.name, row.fewest, row.most) for row in std.COMMANDS.values()}
    assert found == COMMAND_BYTES
    assert {byte for byte, row in std.COMMANDS.items() if not row.sure} == UNSETTLED


# Positioner Application Note (from memory): data of the drive, store and goto commands.
# Angle data: field usage, common practice, as the worked pairs 22.0 east and 10.5 west.
POSITIONER = [
    ("E0 31 60", Halt()),
    ("E0 31 63", Limits(on=False)),
    ("E0 31 66", SetLimit("east")),
    ("E0 31 67", SetLimit("west")),
    ("E0 31 68 00", Drive("east")),
    ("E0 31 68 01", Drive("east", seconds=1)),
    ("E0 31 69 7F", Drive("west", seconds=127)),
    ("E0 31 68 FF", Drive("east", counts=1)),
    ("E0 31 68 FE", Drive("east", counts=2)),
    ("E0 31 69 80", Drive("west", counts=128)),
    ("E0 31 6A 00", Limits(on=True)),
    ("E0 31 6A 07", Store(7)),
    ("E0 31 6B 00", Goto(0)),
    ("E0 31 6B 63", Goto(99)),
    ("E0 31 6E E1 60", GotoAngle("east", 22.0)),
    ("E0 31 6E D0 A8", GotoAngle("west", 10.5)),
    ("E2 31 64", AskStatus()),
]


@pytest.mark.parametrize(("hex_text", "command"), POSITIONER)
def test_positioner_bytes_both_ways(hex_text, command):
    frame = Frame.parse(bytes.fromhex(hex_text))
    assert command_of(frame) == command
    assert frame_of(command).hex == hex_text


# Common practice: senders that count in tenths of a degree round through these sixteenths.
TENTHS = [0x0, 0x2, 0x3, 0x5, 0x6, 0x8, 0xA, 0xB, 0xD, 0xE]


@pytest.mark.parametrize("tenth", range(10))
def test_tenths_of_a_degree_become_the_usual_sixteenths(tenth):
    assert frame_of(GotoAngle("east", 10 + tenth / 10)).data[1] & 0xF == TENTHS[tenth]


FLAGS = [
    (0x80, PositionerFlag.COMPLETED, "movement completed"),
    (0x40, PositionerFlag.LIMITS_ON, "soft limits on"),
    (0x20, PositionerFlag.WEST, "direction west"),
    (0x10, PositionerFlag.RUNNING, "motor running"),
    (0x08, PositionerFlag.AT_LIMIT, "soft limit reached"),
    (0x04, PositionerFlag.NO_POWER, "power not available"),
    (0x02, PositionerFlag.END_SWITCH, "hardware switch activated"),
    (0x01, PositionerFlag.LOST, "position reference lost"),
]


@pytest.mark.parametrize(("code", "flag", "name"), FLAGS)
def test_status_byte_of_a_positioner(code, flag, name):
    """Positioner Application Note, status byte (from memory)."""
    reply, asked = Frame.parse(bytes([0xE4, code])), frame_of(AskStatus())
    args = meaning_of(reply, asked).args
    assert list(args) == [name for *_, name in FLAGS]
    assert [each for each, on in args.items() if on] == [name]
    assert positioner_flags(reply, asked) == flag


@pytest.mark.parametrize(("code", "ghz"), [(1, 9.75), (2, 10.0), (3, 10.6), (4, 10.75), (5, 11.0)])
def test_codes_of_local_oscillators(code, ghz):
    """Bus Functional Specification, local oscillator codes (from memory)."""
    assert std.OSCILLATORS_GHZ[code] == ghz


def test_figures_of_the_physical_layer():
    """Bus Functional Specification, bus hardware and message format (from memory)."""
    assert (std.CARRIER_HZ, std.CARRIER_TOLERANCE) == (22e3, 0.2)
    assert (std.LEVEL_VPP, std.LEVEL_TOLERANCE_VPP) == (0.65, 0.25)
    assert (std.SUPPLY_LOW_V, std.SUPPLY_THRESHOLD_V, std.SUPPLY_HIGH_V) == (13, 15, 18)
    assert (std.SLOT_S, std.SLOT_TOLERANCE_S, std.BURST_S) == (0.5e-3, 0.1e-3, 12.5e-3)
    assert (std.END_OF_MESSAGE_S, std.QUIET_S) == (6e-3, 15e-3)
    assert (std.REPEAT_S, std.REPLY_S) == (0.1, 0.15)
    assert (std.SHORTEST_COMMAND, std.LONGEST_COMMAND, std.LONGEST_REPLY) == (3, 6, 4)


def test_durations_of_bit_byte_and_messages():
    """Bus Functional Specification, message format (from memory): 1.5 ms, 13.5 ms, 40.5-81 ms."""
    assert std.BIT_S == pytest.approx(1.5e-3)
    assert std.BYTE_S == pytest.approx(13.5e-3)
    assert [n * std.BYTE_S * 1e3 for n in (3, 4, 5, 6)] == pytest.approx([40.5, 54, 67.5, 81])
