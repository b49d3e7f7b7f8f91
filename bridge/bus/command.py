"""What a frame says: typed commands of a positioner <-> Frame, and a sentence of meaning.

Data bytes of the positioner commands are from the Positioner Application Note (from memory);
the two nibbles of the angle command are field usage (common practice).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.frame import Frame
from bridge.errors import FrameError

Side = Literal["east", "west"]
Value = int | float | str | bool


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop the motor."""


@dataclass(frozen=True, slots=True)
class Drive:
    """Drive to one side: 1-128 counts, 1-127 seconds, or with neither until halt or limit."""

    side: Side
    counts: int | None = None
    seconds: int | None = None

    @property
    def bounded(self) -> bool:
        return self.counts is not None or self.seconds is not None


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

MOST_STEPS = 128
MOST_SECONDS = 127
MOST_ANGLE_DEG = 180.0
_ANGLE_NIBBLE: dict[Side, int] = {"east": 0xE, "west": 0xD}


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
    match command:
        case Halt():
            return std.HALT, b""
        case Drive(side):
            return (std.DRIVE_EAST if side == "east" else std.DRIVE_WEST), bytes(
                [_drive_byte(command)]
            )
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


def frame_of(
    command: Command, *, address: int = addresses.POLAR_POSITIONER, framing: int | None = None
) -> Frame:
    """The frame that says `command`; status is asked for with a reply wanted. Raises FrameError.

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
    commands = (std.COMMAND_FIRST, std.COMMAND_REPEAT, std.ASK_FIRST, std.ASK_REPEAT)
    if frame.framing not in commands or entry is None or len(frame.data) < entry.fewest:
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
            for name, nibble in _ANGLE_NIBBLE.items():
                if data[0] >> 4 == nibble:
                    return GotoAngle(name, (int.from_bytes(data[:2], "big") & 0xFFF) / 16)
            return None
        case std.POSITIONER_STATUS:
            return AskStatus()
        case _:
            return None


@dataclass(frozen=True, slots=True)
class Reading:
    """What a frame says: the command's name, its arguments, and one sentence."""

    name: str
    args: dict[str, Value] = field(default_factory=dict)
    meaning: str = ""


def plural(number: float, noun: str) -> str:
    return f"{number:g} {noun}" if number == 1 else f"{number:g} {noun}s"


def _meaning_of(command: Command) -> tuple[dict[str, Value], str]:
    match command:
        case Halt():
            return {}, "Halt the motor"
        case Drive(side, counts, seconds):
            if counts is not None:
                return {"counts": counts}, f"Drive {side} {plural(counts, 'count')}"
            if seconds is not None:
                return {"seconds": seconds}, f"Drive {side} for at most {plural(seconds, 'second')}"
            return {"unbounded": True}, f"Drive {side} without a bound, until halt or a limit"
        case SetLimit(side):
            return {}, f"Set the {side} soft limit here and switch the limits on"
        case Limits(on):
            return {"on": on}, f"Switch the soft limits {'on' if on else 'off'}"
        case Store(number):
            return {
                "position": number
            }, f"Store this place as position {number} and switch the limits on"
        case Goto(number):
            return {
                "position": number
            }, f"Go to position {number}" if number else "Go to the reference position"
        case GotoAngle(side, angle_deg):
            return {
                "angle_deg": angle_deg,
                "side": side,
            }, f"Go to {angle_deg:.4g} degrees {side} on the polar axis"
        case AskStatus():
            return {}, "Ask the positioner for its status"


def _flags(code: int, table: tuple[tuple[int, str], ...]) -> dict[str, Value]:
    return {name: bool(code & bit) for bit, name in table}


def _say_flags(what: str, flags: dict[str, Value]) -> str:
    raised = [name for name, on in flags.items() if on]
    return f"{what}: {', '.join(raised) if raised else 'no flag set'}"


def _read_port_0(data: bytes) -> tuple[dict[str, Value], str]:
    sets, clears = data[0] & 0xF, data[0] >> 4
    words = [
        word
        for bit, when_set, when_clear in std.PORT_0_LINES
        for word in ([when_set] if sets & bit else [when_clear] if clears & bit else [])
    ]
    return {
        "clears": clears,
        "sets": sets,
    }, f"Set the committed switches: {', '.join(words) or 'nothing changes'}"


def _read_frequency(data: bytes) -> tuple[dict[str, Value], str]:
    digits = data.hex()
    if not digits.isdecimal():
        return {
            "data": data.hex(" ").upper()
        }, f"Tune to a frequency, but {data.hex(' ').upper()} is not BCD"
    # tens of GHz first (Bus Functional Specification; from memory)
    ghz = int(digits) / 10 ** (len(digits) - 2)
    return {"frequency_ghz": ghz}, f"Tune to {ghz:g} GHz"


def _read_angle(data: bytes) -> tuple[dict[str, Value], str]:
    word = int.from_bytes(data[:2], "big")
    signed = (word - 0x10000 if word & 0x8000 else word) / 16
    low = (word & 0xFFF) / 16
    return {"data": data.hex(" ").upper()}, (
        f"Go to an angle written {data.hex(' ').upper()}: {low:.4g} degrees without its first "
        f"digit, or {signed:.5g} degrees as a signed number; the side is unclear: not acted on"
    )


_DATA_READERS: dict[int, Callable[[bytes], tuple[dict[str, Value], str]]] = {
    std.WRITE_PORT_0: _read_port_0,
    std.WRITE_FREQUENCY: _read_frequency,
    std.GOTO_ANGLE: _read_angle,
}


def _read_reply(frame: Frame, asked: Frame | None) -> Reading:
    if frame.framing != std.REPLY_OK:
        says = {
            std.REPLY_UNSUPPORTED: "the command is not supported",
            std.REPLY_PARITY: "parity error, please repeat",
            std.REPLY_UNKNOWN: "the command is not recognised, please repeat",
        }
        return Reading("reply", {}, f"Reply: {says[frame.framing]}.")
    data, byte = frame.data, asked.command if asked else None
    if data and byte == std.POSITIONER_STATUS:
        flags = _flags(data[0], std.POSITIONER_FLAGS)
        return Reading("reply", flags, _say_flags("Positioner status", flags) + ".")
    if data and byte == std.DEVICE_STATUS:
        flags = _flags(data[0], std.DEVICE_FLAGS)
        return Reading("reply", flags, _say_flags("Device status", flags) + ".")
    if data and byte == std.DEVICE_CONFIGURATION:
        flags = _flags(data[0], std.CONFIGURATION_FLAGS)
        return Reading("reply", flags, _say_flags("Configuration", flags) + ".")
    if data and byte == 0x51:
        ghz = std.OSCILLATORS_GHZ.get(data[0])
        return Reading(
            "reply", {"code": data[0]}, f"Local oscillator {f'{ghz} GHz' if ghz else 'unknown'}."
        )
    if data:
        text = data.hex(" ").upper()
        return Reading("reply", {"data": text}, f"Reply: no errors, with data {text}.")
    return Reading("reply", {}, "Reply: no errors.")


def read(frame: Frame, asked: Frame | None = None) -> Reading:
    """What a frame says; `asked` is the command that a reply answers. What is unknown is called so.

    >>> read(Frame.parse(bytes.fromhex("E03168FF"))).meaning
    'Drive east 1 count (polar positioner).'
    """
    if frame.is_reply:
        return _read_reply(frame, asked)
    if frame.framing in std.SINGLE_CABLE_FRAMINGS:
        return Reading(
            "single-cable message", {}, "A single-cable message of EN 50607, not for a positioner."
        )
    if frame.framing not in std.FRAMINGS:
        return Reading(
            "unknown framing", {}, f"Framing byte {frame.framing:02X} is not in the standard."
        )
    if frame.address is None:
        return Reading("incomplete", {}, "A framing byte alone: the message breaks off.")
    who = addresses.address_name(frame.address)
    if frame.command is None:
        return Reading("incomplete", {}, f"To {who}, without a command: the message breaks off.")
    again = "Repeated: " if frame.is_repeat else ""
    entry = std.COMMANDS.get(frame.command)
    if entry is None:
        return Reading(
            "unknown command",
            {},
            f"{again}Command {frame.command:02X} is not in the standard ({who}).",
        )
    if len(frame.data) < entry.fewest:
        needs = plural(entry.fewest, "byte")
        return Reading(
            entry.name,
            {},
            f"{again}{entry.name.capitalize()} without the {needs} of data it needs ({who}).",
        )
    command = command_of(frame) if frame.address in addresses.POSITIONERS else None
    name = entry.name
    args: dict[str, Value] = {}
    if command is not None:
        args, says = _meaning_of(command)
        name = f"limits {'on' if command.on else 'off'}" if isinstance(command, Limits) else name
    elif entry.byte in _DATA_READERS:
        args, says = _DATA_READERS[entry.byte](frame.data)
    else:
        says = entry.does[0].upper() + entry.does[1:]
        if frame.data:
            args = {"data": frame.data.hex(" ").upper()}
            says += f", data {args['data']}"
        if not entry.sure:
            says += "; this use of the command is not settled, so nothing acts on it"
    surplus = len(frame.data) - entry.most
    extra = f", and {plural(surplus, 'byte')} too many" if surplus > 0 else ""
    return Reading(name, args, f"{again}{says} ({who}){extra}.")
