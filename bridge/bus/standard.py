"""The tables of the open standard, as data.

EUTELSAT, DiSEqC Bus Functional Specification 4.2 (25 February 1998) and Positioner Application
Note 1.0 (15 March 1998). Framing and command tables were cross-read in public copies of the
specification's tables; figures of the physical layer are from memory. An entry that is not
`sure` is shown with its bytes and never acted on unasked.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

# Physical layer (Bus Functional Specification, bus hardware and message format; from memory)
CARRIER_HZ = 22_000.0  # Hz, nominal tone
CARRIER_TOLERANCE = 0.20  # fraction of the nominal tone
LEVEL_VPP = 0.650  # V peak to peak on the supply
LEVEL_TOLERANCE_VPP = 0.250  # V either way
SUPPLY_LOW_V = 13  # V, vertical or right-hand circular
SUPPLY_HIGH_V = 18  # V, horizontal or left-hand circular
SUPPLY_THRESHOLD_V = 15.0  # V, between the two
SLOT_S = 0.5e-3  # s, a third of a bit
SLOT_TOLERANCE_S = 0.1e-3  # s either way
BIT_S = 3 * SLOT_S  # s: 0 is two slots of tone and one of quiet, 1 is one and two
BITS_PER_BYTE = 9  # eight bits, most significant first, then odd parity
BYTE_S = BITS_PER_BYTE * BIT_S  # s
END_OF_MESSAGE_S = 6e-3  # s without tone that end a message
QUIET_S = 15e-3  # s between supply change or tone, message, burst and tone
REPEAT_S = 100e-3  # s, about, before a repeat
REPLY_S = 150e-3  # s within which a reply begins
BURST_S = 12.5e-3  # s, tone burst A, unmodulated; B is nine slots of tone at bit spacing
SHORTEST_COMMAND = 3  # bytes
LONGEST_COMMAND = 6  # bytes
LONGEST_REPLY = 4  # bytes: framing and up to three of data

# Framing (Bus Functional Specification, framing byte)
COMMAND_FIRST = 0xE0
COMMAND_REPEAT = 0xE1
ASK_FIRST = 0xE2
ASK_REPEAT = 0xE3
REPLY_OK = 0xE4
REPLY_UNSUPPORTED = 0xE5
REPLY_PARITY = 0xE6
REPLY_UNKNOWN = 0xE7

COMMAND_FRAMINGS = frozenset((COMMAND_FIRST, COMMAND_REPEAT, ASK_FIRST, ASK_REPEAT))
REPLIES = frozenset((REPLY_OK, REPLY_UNSUPPORTED, REPLY_PARITY, REPLY_UNKNOWN))
REPEAT_OF = {COMMAND_FIRST: COMMAND_REPEAT, ASK_FIRST: ASK_REPEAT}
REPEATS = frozenset(REPEAT_OF.values())
QUESTIONS = frozenset((ASK_FIRST, ASK_REPEAT))  # a reply is wanted
FRAMINGS: dict[int, str] = {
    COMMAND_FIRST: "command, no reply wanted, first transmission",
    COMMAND_REPEAT: "command, no reply wanted, repeated",
    ASK_FIRST: "command, reply wanted, first transmission",
    ASK_REPEAT: "command, reply wanted, repeated",
    REPLY_OK: "reply, no errors",
    REPLY_UNSUPPORTED: "reply, command not supported",
    REPLY_PARITY: "reply, parity error, please repeat",
    REPLY_UNKNOWN: "reply, command not recognised, please repeat",
}


@dataclass(frozen=True, slots=True)
class CommandEntry:
    """One row of the command table: `fewest` to `most` bytes of data follow the command."""

    byte: int
    name: str
    does: str
    fewest: int = 0
    most: int = 0
    sure: bool = True


# Command bytes by name; each stands with its meaning in COMMANDS, from the same tables
HALT = 0x60
GO_EAST = 0x61
GO_WEST = 0x62
LIMITS_OFF = 0x63
POSITIONER_STATUS = 0x64
READ_COUNTER = 0x65
LIMIT_EAST = 0x66
LIMIT_WEST = 0x67
DRIVE_EAST = 0x68
DRIVE_WEST = 0x69
STORE = 0x6A
GOTO = 0x6B
GOTO_COUNTER = 0x6C
WRITE_COUNTER = 0x6D
GOTO_ANGLE = 0x6E
SET_POSITIONS = 0x6F
RESET = 0x00
DEVICE_STATUS = 0x10
DEVICE_CONFIGURATION = 0x11
WRITE_PORT_0 = 0x38
WRITE_PORT_1 = 0x39
WRITE_ANALOGUE_0 = 0x48
OSCILLATOR_NOW = 0x51
WRITE_FREQUENCY = 0x58
SINGLE_CABLE_FRAMINGS = range(0x70, 0x80)  # EN 50607, in place of framing bytes (from memory)

_ROWS: tuple[CommandEntry, ...] = (
    CommandEntry(RESET, "reset", "reset the device's microcontroller"),
    CommandEntry(0x01, "clear reset flag", "clear the reset flag"),
    CommandEntry(0x02, "standby", "switch the peripheral supply off"),
    CommandEntry(0x03, "power on", "switch the peripheral supply on"),
    CommandEntry(0x04, "set contention", "set the contention flag"),
    CommandEntry(0x05, "address if contention", "return the address if contention is set"),
    CommandEntry(0x06, "clear contention", "clear the contention flag"),
    CommandEntry(0x07, "address if no contention", "return the address if contention is not set"),
    CommandEntry(
        0x08, "change address if contention", "change the address if contention is set", 1, 1
    ),
    CommandEntry(
        0x09, "change address if no contention", "change the address if contention is not set", 1, 1
    ),
    CommandEntry(DEVICE_STATUS, "device status", "return the device's status byte"),
    CommandEntry(DEVICE_CONFIGURATION, "configuration", "return the configuration byte"),
    CommandEntry(0x14, "switch 0 flags", "return the state of the committed switches"),
    CommandEntry(0x15, "switch 1 flags", "return the state of the uncommitted switches"),
    CommandEntry(0x16, "switch 2 flags", "reserved for the flags of switch group 2"),
    CommandEntry(0x17, "switch 3 flags", "reserved for the flags of switch group 3"),
    CommandEntry(0x20, "low oscillator", "select the low local oscillator"),
    CommandEntry(0x21, "vertical", "select vertical or right-hand circular polarization"),
    CommandEntry(0x22, "position A", "select satellite position A"),
    CommandEntry(0x23, "option A", "select switch option A"),
    CommandEntry(0x24, "high oscillator", "select the high local oscillator"),
    CommandEntry(0x25, "horizontal", "select horizontal or left-hand circular polarization"),
    CommandEntry(0x26, "position B", "select satellite position B"),
    CommandEntry(0x27, "option B", "select switch option B"),
    *(
        CommandEntry(
            0x28 + 4 * bank + n,
            f"switch S{n + 1}{'AB'[bank]}",
            f"select switch S{n + 1} input {'AB'[bank]}",
        )
        for bank in range(2)
        for n in range(4)
    ),
    CommandEntry(0x30, "sleep", "ignore all bus commands but awake"),
    CommandEntry(0x31, "awake", "respond to bus commands again"),
    CommandEntry(WRITE_PORT_0, "write port 0", "set the committed switches", 1, 1),
    CommandEntry(WRITE_PORT_1, "write port 1", "set the uncommitted switches", 1, 1),
    CommandEntry(0x3A, "write port 2", "set switch group 2", 1, 1),
    CommandEntry(0x3B, "write port 3", "set switch group 3", 1, 1),
    CommandEntry(0x40, "read analogue 0", "return analogue value 0"),
    CommandEntry(0x41, "read analogue 1", "return analogue value 1"),
    CommandEntry(WRITE_ANALOGUE_0, "write analogue 0", "set analogue value 0", 1, 1),
    CommandEntry(0x49, "write analogue 1", "set analogue value 1", 1, 1),
    CommandEntry(0x4F, "write analogue 7", "set analogue value 7", 1, 1),
    CommandEntry(0x50, "oscillator string", "return the local oscillators as a string"),
    CommandEntry(OSCILLATOR_NOW, "oscillator now", "return the present local oscillator"),
    CommandEntry(0x52, "oscillator low", "return the low local oscillator"),
    CommandEntry(0x53, "oscillator high", "return the high local oscillator"),
    CommandEntry(WRITE_FREQUENCY, "write frequency", "tune to a frequency", 2, 3),
    CommandEntry(0x59, "write channel", "select a channel number", 2, 2),
    CommandEntry(
        0x5A,
        "single-cable channel change",
        "a channel change of EN 50494, not for a positioner",
        2,
        2,
    ),
    CommandEntry(
        0x5B,
        "single-cable installation",
        "an installation message of EN 50494, not for a positioner",
        2,
        2,
    ),
    CommandEntry(HALT, "halt", "stop the positioner's movement"),
    CommandEntry(GO_EAST, "go east", "perhaps drive east", 0, 0, sure=False),
    CommandEntry(GO_WEST, "go west", "perhaps drive west", 0, 0, sure=False),
    CommandEntry(LIMITS_OFF, "limits off", "switch the soft limits off"),
    CommandEntry(POSITIONER_STATUS, "status", "return the positioner's status byte"),
    CommandEntry(
        READ_COUNTER, "read counter", "perhaps return the position counter", 0, 0, sure=False
    ),
    CommandEntry(LIMIT_EAST, "limit east", "set the east soft limit here and switch the limits on"),
    CommandEntry(LIMIT_WEST, "limit west", "set the west soft limit here and switch the limits on"),
    CommandEntry(DRIVE_EAST, "drive east", "drive the motor east", 1, 1),
    CommandEntry(DRIVE_WEST, "drive west", "drive the motor west", 1, 1),
    CommandEntry(STORE, "store", "store the present place as a position", 1, 1),
    CommandEntry(GOTO, "goto", "drive to a stored position", 1, 1),
    CommandEntry(
        GOTO_COUNTER, "goto counter", "perhaps drive to a counter value", 2, 2, sure=False
    ),
    CommandEntry(
        WRITE_COUNTER, "write counter", "perhaps set the position counter", 2, 2, sure=False
    ),
    CommandEntry(GOTO_ANGLE, "goto angle", "drive to an angle of the polar axis", 2, 2),
    CommandEntry(
        SET_POSITIONS, "set positions", "recalculate the stored positions", 1, 3, sure=False
    ),
)

COMMANDS: dict[int, CommandEntry] = {row.byte: row for row in _ROWS}


class PositionerFlag(IntFlag):
    """Status byte of command 64 (Positioner Application Note; from memory)."""

    COMPLETED = 0x80
    LIMITS_ON = 0x40
    WEST = 0x20
    RUNNING = 0x10
    AT_LIMIT = 0x08
    NO_POWER = 0x04
    END_SWITCH = 0x02
    LOST = 0x01


POSITIONER_FLAGS: dict[int, str] = {
    PositionerFlag.COMPLETED: "movement completed",
    PositionerFlag.LIMITS_ON: "soft limits on",
    PositionerFlag.WEST: "direction west",
    PositionerFlag.RUNNING: "motor running",
    PositionerFlag.AT_LIMIT: "soft limit reached",
    PositionerFlag.NO_POWER: "power not available",
    PositionerFlag.END_SWITCH: "hardware switch activated",
    PositionerFlag.LOST: "position reference lost",
}
# Status byte of command 10 and configuration byte of command 11 (from memory)
DEVICE_FLAGS: dict[int, str] = {
    0x80: "contention",
    0x40: "standby",
    0x10: "supply above 15 V",
    0x01: "reset occurred",
}
CONFIGURATION_FLAGS: dict[int, str] = {
    0x80: "analogue outputs",
    0x40: "standby",
    0x20: "positioner",
    0x10: "power detection",
    0x08: "loop-through",
    0x04: "polarizer",
    0x02: "switches",
    0x01: "local oscillator readings",
}
# Data of write port 0: (bit, word when set, word when clear); low nibble sets, high nibble clears
PORT_0_LINES: tuple[tuple[int, str, str], ...] = (
    (0x2, "horizontal", "vertical"),
    (0x1, "high", "low"),
    (0x4, "position B", "position A"),
    (0x8, "option B", "option A"),
)
OSCILLATORS_GHZ: dict[int, float] = {1: 9.75, 2: 10.0, 3: 10.6, 4: 10.75, 5: 11.0}  # from memory
