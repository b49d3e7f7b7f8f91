"""What a frame means: its name, its arguments and one sentence for people.

Data bytes of replies, of write port 0 and of the frequency are from the Bus Functional
Specification, those of the positioner from the Positioner Application Note (both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.command import (
    AskStatus,
    Command,
    Drive,
    Goto,
    GotoAngle,
    Halt,
    Limits,
    SetLimit,
    Store,
    command_of,
)
from bridge.bus.frame import Frame

Value = int | float | str | bool
Args = dict[str, Value]


@dataclass(frozen=True, slots=True)
class Meaning:
    """The command's name, its arguments, and one sentence."""

    name: str
    args: Args = field(default_factory=dict)
    sentence: str = ""


def plural(number: float, noun: str) -> str:
    """A number and its noun: `1 count`, `2 counts`.

    >>> plural(1, "count"), plural(0.5, "second")
    ('1 count', '0.5 seconds')
    """
    return f"{number:g} {noun}" if number == 1 else f"{number:g} {noun}s"


def meaning_of(frame: Frame, asked: Frame | None = None) -> Meaning:
    """What a frame means; `asked` is the command that a reply answers.

    What is unknown, broken off or not settled is called so.

    >>> meaning_of(Frame.parse(bytes.fromhex("E03168FF"))).sentence
    'Drive east 1 count (polar positioner).'
    """
    if frame.is_reply:
        return _reply(frame, asked)
    if frame.framing in std.SINGLE_CABLE_FRAMINGS:
        sentence = "A single-cable message of EN 50607, not for a positioner."
        return Meaning("single-cable message", {}, sentence)
    if frame.framing not in std.FRAMINGS:
        sentence = f"Framing byte {frame.framing:02X} is not in the standard."
        return Meaning("unknown framing", {}, sentence)
    if frame.address is None:
        return Meaning("incomplete", {}, "A framing byte alone: the message breaks off.")
    who = addresses.address_name(frame.address)
    if frame.command is None:
        return Meaning("incomplete", {}, f"To {who}, without a command: the message breaks off.")
    repeated = "Repeated: " if frame.is_repeat else ""
    entry = std.COMMANDS.get(frame.command)
    if entry is None:
        unknown = f"Command {frame.command:02X} is not in the standard"
        return Meaning("unknown command", {}, f"{repeated}{unknown} ({who}).")
    if len(frame.data) < entry.fewest:
        lacks = f"without the {plural(entry.fewest, 'byte')} of data it needs"
        return Meaning(entry.name, {}, f"{repeated}{entry.name.capitalize()} {lacks} ({who}).")
    command = command_of(frame) if frame.address in addresses.POSITIONERS else None
    if command is not None:
        args, sense = _positioner_command(command)
    elif entry.byte in _DATA_READERS:
        args, sense = _DATA_READERS[entry.byte](frame.data)
    else:
        args, sense = _other_command(entry, frame.data)
    name = f"limits {'on' if command.on else 'off'}" if isinstance(command, Limits) else entry.name
    surplus = len(frame.data) - entry.most
    extra = f", and {plural(surplus, 'byte')} too many" if surplus > 0 else ""
    return Meaning(name, args, f"{repeated}{sense} ({who}){extra}.")


def positioner_flags(reply: Frame, asked: Frame | None) -> std.PositionerFlag | None:
    """The flags of a positioner's status byte; None where the reply carries none.

    `asked` is the command that the reply answers: only an answer to command 64 is a status.

    >>> question = Frame.parse(bytes.fromhex("E23164"))
    >>> positioner_flags(Frame.parse(bytes.fromhex("E481")), question) & std.PositionerFlag.LOST
    <PositionerFlag.LOST: 1>
    """
    if asked is None or asked.command != std.POSITIONER_STATUS:
        return None
    if reply.framing != std.REPLY_OK or not reply.data:
        return None
    return std.PositionerFlag(reply.data[0])


def _positioner_command(command: Command) -> tuple[Args, str]:
    match command:
        case Halt():
            return {}, "Halt the motor"
        case Drive(side, counts=int(counts)):
            return {"counts": counts}, f"Drive {side} {plural(counts, 'count')}"
        case Drive(side, seconds=int(seconds)):
            return {"seconds": seconds}, f"Drive {side} for at most {plural(seconds, 'second')}"
        case Drive(side):
            return {"unbounded": True}, f"Drive {side} without a bound, until halt or a limit"
        case SetLimit(side):
            return {}, f"Set the {side} soft limit here and switch the limits on"
        case Limits(on):
            return {"on": on}, f"Switch the soft limits {'on' if on else 'off'}"
        case Store(number):
            sense = f"Store this place as position {number} and switch the limits on"
            return {"position": number}, sense
        case Goto(0):
            return {"position": 0}, "Go to the reference position"
        case Goto(number):
            return {"position": number}, f"Go to position {number}"
        case GotoAngle(side, angle_deg):
            sense = f"Go to {angle_deg:.4g} degrees {side} on the polar axis"
            return {"angle_deg": angle_deg, "side": side}, sense
        case AskStatus():
            return {}, "Ask the positioner for its status"


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _other_command(entry: std.CommandEntry, data: bytes) -> tuple[Args, str]:
    """A command of the table that is no positioner's, in the words of its row."""
    args: Args = {"data": _hex(data)} if data else {}
    sense = entry.does[0].upper() + entry.does[1:]
    if data:
        sense += f", data {_hex(data)}"
    if not entry.sure:
        sense += "; this use of the command is not settled, so nothing acts on it"
    return args, sense


def _port_0(data: bytes) -> tuple[Args, str]:
    sets, clears = data[0] & 0xF, data[0] >> 4
    words = [
        word
        for bit, when_set, when_clear in std.PORT_0_LINES
        for word in ([when_set] if sets & bit else [when_clear] if clears & bit else [])
    ]
    sense = f"Set the committed switches: {', '.join(words) or 'nothing changes'}"
    return {"clears": clears, "sets": sets}, sense


def _frequency(data: bytes) -> tuple[Args, str]:
    digits = data.hex()
    if not digits.isdecimal():
        return {"data": _hex(data)}, f"Tune to a frequency, but {_hex(data)} is not BCD"
    # tens of GHz first (Bus Functional Specification; from memory)
    ghz = int(digits) / 10 ** (len(digits) - 2)
    return {"frequency_ghz": ghz}, f"Tune to {ghz:g} GHz"


def _unclear_angle(data: bytes) -> tuple[Args, str]:
    word = int.from_bytes(data[:2], "big")
    signed = (word - 0x10000 if word & 0x8000 else word) / 16
    low = (word & 0xFFF) / 16
    return {"data": _hex(data)}, (
        f"Go to an angle written {_hex(data)}: {low:.4g} degrees without its first "
        f"digit, or {signed:.5g} degrees as a signed number; the side is unclear: not acted on"
    )


_DATA_READERS: dict[int, Callable[[bytes], tuple[Args, str]]] = {
    std.WRITE_PORT_0: _port_0,
    std.WRITE_FREQUENCY: _frequency,
    std.GOTO_ANGLE: _unclear_angle,
}

_TROUBLES = {
    std.REPLY_UNSUPPORTED: "the command is not supported",
    std.REPLY_PARITY: "parity error, please repeat",
    std.REPLY_UNKNOWN: "the command is not recognised, please repeat",
}
_STATUS_BYTES: dict[int, tuple[str, Mapping[int, str]]] = {
    std.POSITIONER_STATUS: ("Positioner status", std.POSITIONER_FLAGS),
    std.DEVICE_STATUS: ("Device status", std.DEVICE_FLAGS),
    std.DEVICE_CONFIGURATION: ("Configuration", std.CONFIGURATION_FLAGS),
}


def _reply(frame: Frame, asked: Frame | None) -> Meaning:
    """A reply; its data means something only where the command that it answers is known."""
    if frame.framing != std.REPLY_OK:
        return Meaning("reply", {}, f"Reply: {_TROUBLES[frame.framing]}.")
    if not frame.data:
        return Meaning("reply", {}, "Reply: no errors.")
    code = frame.data[0]
    match None if asked is None else asked.command:
        case int(byte) if byte in _STATUS_BYTES:
            what, table = _STATUS_BYTES[byte]
            flags: Args = {name: bool(code & bit) for bit, name in table.items()}
            raised = ", ".join(name for name, on in flags.items() if on) or "no flag set"
            return Meaning("reply", flags, f"{what}: {raised}.")
        case std.OSCILLATOR_NOW:
            ghz = std.OSCILLATORS_GHZ.get(code)
            oscillator = "unknown" if ghz is None else f"{ghz} GHz"
            return Meaning("reply", {"code": code}, f"Local oscillator {oscillator}.")
        case _:
            sentence = f"Reply: no errors, with data {_hex(frame.data)}."
            return Meaning("reply", {"data": _hex(frame.data)}, sentence)
