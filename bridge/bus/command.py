"""Typed commands of a positioner <-> frames.

Data bytes of the positioner commands are from the Positioner Application Note (from memory);
the two nibbles of the angle command are field usage (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.frame import Frame
from bridge.errors import FrameError

Side = Literal["east", "west"]


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop the motor."""


@dataclass(frozen=True, slots=True)
class Drive:
    """Drive to one side: 1-128 counts, 1-127 seconds, or with neither until halt or limit."""

    side: Side
    counts: int | None = None
    seconds: int | None = None


@dataclass(frozen=True, slots=True)
class SetLimit:
    """Set a soft limit at the present place and switch the limits on."""

    side: Side


@dataclass(frozen=True, slots=True)
class Limits:
    """Switch the soft limits on or off."""

    on: bool


@dataclass(frozen=True, slots=True)
class Store:
    """Store the present place as position 1-255."""

    number: int


@dataclass(frozen=True, slots=True)
class Goto:
    """Go to a stored position; 0 is the reference."""

    number: int


@dataclass(frozen=True, slots=True)
class GotoAngle:
    """Go to an angle of the polar axis, in sixteenths of a degree on the bus."""

    side: Side
    angle_deg: float


@dataclass(frozen=True, slots=True)
class AskStatus:
    """Ask for the positioner's status byte."""


Command = Halt | Drive | SetLimit | Limits | Store | Goto | GotoAngle | AskStatus

MOST_STEPS = 128  # counts: data bytes FF to 80
MOST_SECONDS = 127  # s: data bytes 01 to 7F
MOST_ANGLE_DEG = 180.0  # degrees to either side (judgement)
_ANGLE_NIBBLE: dict[Side, int] = {"east": 0xE, "west": 0xD}


def frame_of(
    command: Command, *, address: int = addresses.POLAR_POSITIONER, framing: int | None = None
) -> Frame:
    """The frame of a command; that for the status wants a reply.

    Raises FrameError with the range where a value does not fit its byte.

    >>> frame_of(Drive("east", counts=1)).hex
    'E0 31 68 FF'
    >>> frame_of(GotoAngle("west", 10.5)).hex
    'E0 31 6E D0 A8'
    """
    byte, data = _encode(command)
    if framing is None:
        framing = std.ASK_FIRST if isinstance(command, AskStatus) else std.COMMAND_FIRST
    return Frame(framing, address, byte, data)


def command_of(frame: Frame) -> Command | None:
    """The positioner command that a frame carries, or None where it is no whole, sure one.

    >>> command_of(Frame.parse(bytes.fromhex("E031697F")))
    Drive(side='west', counts=None, seconds=127)
    """
    entry = std.COMMANDS.get(frame.command) if frame.command is not None else None
    if not frame.is_command or entry is None or len(frame.data) < entry.fewest:
        return None
    data = frame.data
    match entry.byte:
        case std.HALT:
            return Halt()
        case std.DRIVE_EAST | std.DRIVE_WEST:
            side: Side = "east" if entry.byte == std.DRIVE_EAST else "west"
            if data[0] >= 0x80:
                return Drive(side, counts=0x100 - data[0])
            return Drive(side, seconds=data[0] or None)
        case std.LIMIT_EAST | std.LIMIT_WEST:
            return SetLimit("east" if entry.byte == std.LIMIT_EAST else "west")
        case std.LIMITS_OFF:
            return Limits(on=False)
        case std.STORE:
            return Store(data[0]) if data[0] else Limits(on=True)
        case std.GOTO:
            return Goto(data[0])
        case std.GOTO_ANGLE:
            word = int.from_bytes(data[:2], "big")
            sides = [side for side, nibble in _ANGLE_NIBBLE.items() if word >> 12 == nibble]
            return GotoAngle(sides[0], (word & 0xFFF) / 16) if sides else None
        case std.POSITIONER_STATUS:
            return AskStatus()
        case _:
            return None


def _within(what: str, value: float, low: float, high: float, unit: str) -> None:
    if not low <= value <= high:
        raise FrameError(f"{what} {value:g} is outside {low:g} to {high:g} {unit}".rstrip())


def _drive_byte(command: Drive) -> int:
    if command.counts is not None and command.seconds is not None:
        raise FrameError("a drive is bounded by counts or by seconds, not by both")
    if command.counts is not None:
        _within("a drive of", command.counts, 1, MOST_STEPS, "counts")
        return 0x100 - command.counts
    if command.seconds is not None:
        _within("a drive of", command.seconds, 1, MOST_SECONDS, "seconds")
        return command.seconds
    return 0


def _encode(command: Command) -> tuple[int, bytes]:
    """The command byte and the data bytes."""
    match command:
        case Halt():
            return std.HALT, b""
        case Drive(side):
            byte = std.DRIVE_EAST if side == "east" else std.DRIVE_WEST
            return byte, bytes([_drive_byte(command)])
        case SetLimit(side):
            return (std.LIMIT_EAST if side == "east" else std.LIMIT_WEST), b""
        case Limits(on=False):
            return std.LIMITS_OFF, b""
        case Limits():
            return std.STORE, b"\x00"
        case Store(number):
            _within("position", number, 1, 255, "")
            return std.STORE, bytes([number])
        case Goto(number):
            _within("position", number, 0, 255, "")
            return std.GOTO, bytes([number])
        case GotoAngle(side, angle_deg):
            _within("an angle of", angle_deg, 0, MOST_ANGLE_DEG, "degrees")
            word = _ANGLE_NIBBLE[side] << 12 | round(angle_deg * 16)
            return std.GOTO_ANGLE, word.to_bytes(2, "big")
        case AskStatus():
            return std.POSITIONER_STATUS, b""
