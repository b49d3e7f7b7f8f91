"""What frames mean, in whole sentences.

Names and data of commands, replies and flags: Bus Functional Specification and Positioner
Application Note (from memory).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus import standard as std
from bridge.bus.frame import Frame
from bridge.bus.meaning import meaning_of, plural, positioner_flags
from bridge.bus.standard import PositionerFlag


def frame(hex_text: str) -> Frame:
    return Frame.parse(bytes.fromhex(hex_text))


POLAR = "polar positioner"
COMMANDS = [
    ("E0 31 60", "halt", {}, f"Halt the motor ({POLAR})."),
    ("E0 31 68 FF", "drive east", {"counts": 1}, f"Drive east 1 count ({POLAR})."),
    ("E1 31 69 80", "drive west", {"counts": 128},
     f"Repeated: Drive west 128 counts ({POLAR})."),
    ("E0 31 69 03", "drive west", {"seconds": 3},
     f"Drive west for at most 3 seconds ({POLAR})."),
    ("E0 30 68 01", "drive east", {"seconds": 1},
     "Drive east for at most 1 second (any positioner)."),
    ("E0 31 69 00", "drive west", {"unbounded": True},
     f"Drive west without a bound, until halt or a limit ({POLAR})."),
    ("E0 31 66", "limit east", {},
     f"Set the east soft limit here and switch the limits on ({POLAR})."),
    ("E0 31 67", "limit west", {},
     f"Set the west soft limit here and switch the limits on ({POLAR})."),
    ("E0 31 63", "limits off", {"on": False}, f"Switch the soft limits off ({POLAR})."),
    ("E0 31 6A 00", "limits on", {"on": True}, f"Switch the soft limits on ({POLAR})."),
    ("E0 31 6A 07", "store", {"position": 7},
     f"Store this place as position 7 and switch the limits on ({POLAR})."),
    ("E0 32 6B 63", "goto", {"position": 99}, "Go to position 99 (elevation positioner)."),
    ("E0 00 6B 00", "goto", {"position": 0}, "Go to the reference position (any device)."),
    ("E0 31 6E E1 60", "goto angle", {"angle_deg": 22.0, "side": "east"},
     f"Go to 22 degrees east on the polar axis ({POLAR})."),
    ("E0 31 6E D0 A8", "goto angle", {"angle_deg": 10.5, "side": "west"},
     f"Go to 10.5 degrees west on the polar axis ({POLAR})."),
    ("E2 31 64", "status", {}, f"Ask the positioner for its status ({POLAR})."),
    # an angle without the side of the field's usage: read both ways, acted on in neither
    ("E0 31 6E 01 60", "goto angle", {"data": "01 60"},
     "Go to an angle written 01 60: 22 degrees without its first digit, or 22 degrees as a signed "
     f"number; the side is unclear: not acted on ({POLAR})."),
    ("E0 31 6E FE A0", "goto angle", {"data": "FE A0"},
     "Go to an angle written FE A0: 234 degrees without its first digit, or -22 degrees as a "
     f"signed number; the side is unclear: not acted on ({POLAR})."),
    ("E0 10 6B 07", "goto", {"data": "07"},
     "Drive to a stored position, data 07 (any LNB, switcher or SMATV)."),
    # the committed switches: the high nibble clears lines, the low nibble sets lines
    ("E0 10 38 F3", "write port 0", {"clears": 15, "sets": 3},
     "Set the committed switches: horizontal, high, position A, option A (any LNB, switcher or "
     "SMATV)."),
    ("E0 10 38 C4", "write port 0", {"clears": 12, "sets": 4},
     "Set the committed switches: position B, option A (any LNB, switcher or SMATV)."),
    ("E0 14 38 00", "write port 0", {"clears": 0, "sets": 0},
     "Set the committed switches: nothing changes (switcher)."),
    ("E0 15 38 38", "write port 0", {"clears": 3, "sets": 8},
     "Set the committed switches: vertical, low, option B (switcher with loop-through)."),
    # BCD digits, tens of GHz first
    ("E0 00 58 11 75 00", "write frequency", {"frequency_ghz": 11.75},
     "Tune to 11.75 GHz (any device)."),
    ("E0 71 58 09 75", "write frequency", {"frequency_ghz": 9.75},
     "Tune to 9.75 GHz (interface for a subscriber-controlled headend)."),
    ("E0 00 58 1A 75", "write frequency", {"data": "1A 75"},
     "Tune to a frequency, but 1A 75 is not BCD (any device)."),
    ("E0 21 48 0C", "write analogue 0", {"data": "0C"},
     "Set analogue value 0, data 0C (linear polarization control)."),
    ("E0 10 2C", "switch S1B", {}, "Select switch S1 input B (any LNB, switcher or SMATV)."),
    ("E0 11 20", "low oscillator", {}, "Select the low local oscillator (LNB)."),
    ("E0 10 5A 12 34", "single-cable channel change", {"data": "12 34"},
     "A channel change of EN 50494, not for a positioner, data 12 34 (any LNB, switcher "
     "or SMATV)."),
    ("E0 31 61", "go east", {},
     f"Perhaps drive east; this use of the command is not settled, so nothing acts on it "
     f"({POLAR})."),
    ("E0 31 6D 01 00", "write counter", {"data": "01 00"},
     "Perhaps set the position counter, data 01 00; this use of the command is not settled, so "
     f"nothing acts on it ({POLAR})."),
    # what is too long, too short or not in the tables
    ("E0 31 60 00", "halt", {}, f"Halt the motor ({POLAR}), and 1 byte too many."),
    ("E0 31 6B 07 00 00", "goto", {"position": 7},
     f"Go to position 7 ({POLAR}), and 2 bytes too many."),
    ("E0 31 68", "drive east", {}, f"Drive east without the 1 byte of data it needs ({POLAR})."),
    ("E1 31 6E E1", "goto angle", {},
     f"Repeated: Goto angle without the 2 bytes of data it needs ({POLAR})."),
    ("E1 31 7F", "unknown command", {}, f"Repeated: Command 7F is not in the standard ({POLAR})."),
    ("E0 99 60", "halt", {}, "Stop the positioner's movement (unassigned address 99)."),
    ("E0 F4 60", "halt", {}, "Stop the positioner's movement (original manufacturer's own)."),
    ("E0", "incomplete", {}, "A framing byte alone: the message breaks off."),
    ("E0 31", "incomplete", {}, f"To {POLAR}, without a command: the message breaks off."),
    ("A3 7D 4F", "unknown framing", {}, "Framing byte A3 is not in the standard."),
    ("70 12 34 56", "single-cable message", {},
     "A single-cable message of EN 50607, not for a positioner."),
    ("7F 12", "single-cable message", {},
     "A single-cable message of EN 50607, not for a positioner."),
    ("6F 12", "unknown framing", {}, "Framing byte 6F is not in the standard."),
    ("80 12", "unknown framing", {}, "Framing byte 80 is not in the standard."),
]  # fmt: skip


@pytest.mark.parametrize(("hex_text", "name", "args", "sentence"), COMMANDS)
def test_what_a_command_means(hex_text, name, args, sentence):
    meaning = meaning_of(frame(hex_text))
    assert (meaning.name, meaning.args, meaning.sentence) == (name, args, sentence)


REPLIES = [
    ("E4", None, {}, "Reply: no errors."),
    ("E5", "E2 31 64", {}, "Reply: the command is not supported."),
    ("E6 12", None, {}, "Reply: parity error, please repeat."),
    ("E7", None, {}, "Reply: the command is not recognised, please repeat."),
    ("E4 12 0A", None, {"data": "12 0A"}, "Reply: no errors, with data 12 0A."),
    ("E4 12", "E0 31 60", {"data": "12"}, "Reply: no errors, with data 12."),
    ("E4 01", "E2 10 51", {"code": 1}, "Local oscillator 9.75 GHz."),
    ("E4 02", "E2 10 51", {"code": 2}, "Local oscillator 10.0 GHz."),
    ("E4 0F", "E2 10 51", {"code": 15}, "Local oscillator unknown."),
    ("E4 91", "E2 10 10",
     {"contention": True, "standby": False, "supply above 15 V": True, "reset occurred": True},
     "Device status: contention, supply above 15 V, reset occurred."),
    ("E4 40", "E3 10 10",
     {"contention": False, "standby": True, "supply above 15 V": False, "reset occurred": False},
     "Device status: standby."),
    ("E4 AA", "E2 10 11",
     {"analogue outputs": True, "standby": False, "positioner": True, "power detection": False,
      "loop-through": True, "polarizer": False, "switches": True,
      "local oscillator readings": False},
     "Configuration: analogue outputs, positioner, loop-through, switches."),
    ("E4 55", "E2 10 11",
     {"analogue outputs": False, "standby": True, "positioner": False, "power detection": True,
      "loop-through": False, "polarizer": True, "switches": False,
      "local oscillator readings": True},
     "Configuration: standby, power detection, polarizer, local oscillator readings."),
    ("E4 C1", "E2 31 64",
     {"movement completed": True, "soft limits on": True, "direction west": False,
      "motor running": False, "soft limit reached": False, "power not available": False,
      "hardware switch activated": False, "position reference lost": True},
     "Positioner status: movement completed, soft limits on, position reference lost."),
]  # fmt: skip


@pytest.mark.parametrize(("hex_text", "asked", "args", "sentence"), REPLIES)
def test_what_a_reply_means(hex_text, asked, args, sentence):
    meaning = meaning_of(frame(hex_text), frame(asked) if asked else None)
    assert (meaning.name, meaning.args, meaning.sentence) == ("reply", args, sentence)


def test_a_status_without_flags_says_so():
    meaning = meaning_of(frame("E4 00"), frame("E2 31 64"))
    assert meaning.sentence == "Positioner status: no flag set."
    assert not any(meaning.args.values())


@pytest.mark.parametrize(
    ("reply", "asked", "flags"),
    [
        ("E4 81", "E2 31 64", PositionerFlag.COMPLETED | PositionerFlag.LOST),
        ("E4 08 FF", "E3 00 64", PositionerFlag.AT_LIMIT),
        ("E4 00", "E2 31 64", PositionerFlag(0)),
        ("E4", "E2 31 64", None),
        ("E5 81", "E2 31 64", None),
        ("E4 81", "E2 31 65", None),
        ("E4 81", None, None),
    ],
)
def test_the_flags_of_a_positioner(reply, asked, flags):
    assert positioner_flags(frame(reply), frame(asked) if asked else None) == flags


@given(st.binary(min_size=1, max_size=8), st.none() | st.binary(min_size=1, max_size=8))
def test_any_frame_has_a_sentence(data, asked):
    meaning = meaning_of(Frame.parse(data), Frame.parse(asked) if asked else None)
    assert meaning.name
    assert meaning.sentence.endswith(".")


def test_every_command_of_the_table_has_a_sentence_of_its_own():
    frames = [Frame(0xE0, 0x31, row.byte, bytes([1] * row.fewest)) for row in std.COMMANDS.values()]
    assert len({meaning_of(each).sentence for each in frames}) == len(std.COMMANDS)


@pytest.mark.parametrize(
    ("number", "text"), [(1, "1 count"), (0, "0 counts"), (2, "2 counts"), (1.5, "1.5 counts")]
)
def test_a_number_and_its_noun(number, text):
    assert plural(number, "count") == text
