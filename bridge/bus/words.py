"""The words of the command line -> a frame: `drive east 1 count`, `goto 7`, `raw E0 31 68 FF`."""

from __future__ import annotations

import re
from collections.abc import Sequence

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
    Side,
    Store,
    frame_of,
)
from bridge.bus.frame import Frame
from bridge.bus.hex_text import parse_hex
from bridge.bus.meaning import plural
from bridge.errors import FrameError, WordsError

_DRIVE = "drive east|west N counts|seconds"
_PORT_0 = "write port 0 horizontal|vertical high|low A|B A|B"
_USAGE = "; ".join(
    (
        "halt",
        _DRIVE,
        "limit east|west",
        "limits on|off",
        "store N",
        "goto N",
        "goto angle 22.0E",
        "status",
        _PORT_0,
        "raw E0 31 68 FF",
    )
)
_ANGLE = re.compile(r"(\d+(?:[.,]\d+)?)\s*°?\s*(E|W|EAST|WEST)")
_HEX = re.compile(r"(0x)?[0-9a-f]{2}h?(,|0x|[0-9a-f])*")


def parse_words(words: Sequence[str]) -> Frame:
    """The frame that command words name. Raises WordsError with what to say instead.

    >>> parse_words(["goto", "angle", "22.0E"]).hex
    'E0 31 6E E1 60'
    >>> parse_words("write port 0 horizontal high A A".split()).hex
    'E0 10 38 F3'
    """
    given = [part for word in words for part in word.split()]
    lower = [word.lower() for word in given]
    if not lower:
        raise WordsError(f"no command; try: {_USAGE}")
    try:
        if lower[0] == "raw":
            return Frame.parse(parse_hex(" ".join(given[1:])))
        if lower[:3] == ["write", "port", "0"] and not (len(lower) == 4 and lower[3][:1].isdigit()):
            return _port_0(lower[3:])
        command = _positioner_command(lower)
        if command is not None:
            return frame_of(command)
        if _HEX.fullmatch(lower[0]):
            return Frame.parse(parse_hex(" ".join(given)))
        return _by_table(lower)
    except FrameError as error:
        raise WordsError(str(error)) from None


def _positioner_command(words: Sequence[str]) -> Command | None:
    match words:
        case ["halt"]:
            return Halt()
        case ["drive", *rest]:
            return _drive(rest)
        case ["limit", side]:
            return SetLimit(_side(side))
        case ["limits", "on" | "off" as state]:
            return Limits(on=state == "on")
        case ["store", number]:
            return Store(_number(number, "a position"))
        case ["goto", "angle", *rest]:
            return _angle(rest)
        case ["goto", number]:
            return Goto(_number(number, "a position"))
        case ["store"]:
            raise WordsError("store needs a position number, 1 to 255: store 7")
        case ["goto"]:
            raise WordsError("goto needs a position number, 1 to 255, or 0 for the reference")
        case ["status"]:
            return AskStatus()
        case _:
            return None


def _number(word: str, what: str) -> int:
    try:
        return int(word, 0)
    except ValueError:
        raise WordsError(f"{what} is a whole number, not '{word}'") from None


def _side(word: str) -> Side:
    if word == "east":
        return "east"
    if word == "west":
        return "west"
    raise WordsError(f"the side is 'east' or 'west', not '{word}'")


def _drive(words: Sequence[str]) -> Command:
    match words:
        case [side, number, "count" | "counts" | "step" | "steps"]:
            return Drive(_side(side), counts=_number(number, "the number of counts"))
        case [side, number, "second" | "seconds" | "s"]:
            return Drive(_side(side), seconds=_number(number, "the number of seconds"))
        case [word]:
            side = _side(word)
            raise WordsError(
                f"'drive {side}' has no bound; say how far: "
                f"drive {side} 5 counts, or drive {side} 3 seconds"
            )
        case _:
            raise WordsError(f"'{' '.join(['drive', *words])}' is no drive; say: {_DRIVE}")


def _angle(words: Sequence[str]) -> Command:
    found = _ANGLE.fullmatch(" ".join(words).upper())
    if found is None:
        raise WordsError(f"an angle is written 22.0E or 10.5W, not '{' '.join(words)}'")
    return GotoAngle("east" if found[2][0] == "E" else "west", float(found[1].replace(",", ".")))


def _port_0(words: Sequence[str]) -> Frame:
    """Only the named lines change: each is cleared, and set where it is to be 1."""
    if not words:
        raise WordsError(f"name the lines to set: {_PORT_0}")
    clears = sets = 0
    letters = iter(("position", "option"))
    for word in words:
        is_letter = word in ("a", "b")
        name = f"{next(letters, 'option')} {word.upper()}" if is_letter else word
        line = next((row for row in std.PORT_0_LINES if name in row[1:]), None)
        if line is None:
            raise WordsError(f"'{word}' is no line of port 0; say: {_PORT_0}")
        bit, when_set, _ = line
        if clears & bit:
            raise WordsError(f"'{word}' sets a line of port 0 twice; say: {_PORT_0}")
        clears |= bit
        sets |= bit if name == when_set else 0
    data = bytes([clears << 4 | sets])
    return Frame(std.COMMAND_FIRST, addresses.ANY_SWITCHER, std.WRITE_PORT_0, data)


_BY_NAME = {entry.name.lower(): entry for entry in std.COMMANDS.values()}
# Whom a command is meant for; commands that are not here go to any device
_ADDRESSEES = (
    (range(0x60, 0x70), addresses.POLAR_POSITIONER),
    ((std.WRITE_ANALOGUE_0,), addresses.LINEAR_POLARIZER),
    ((*range(0x14, 0x18), *range(0x20, 0x30), *range(0x38, 0x3C)), addresses.ANY_SWITCHER),
)


def _by_table(words: Sequence[str]) -> Frame:
    """Any other command of the table by its name, then its data bytes as numbers."""
    for cut in range(len(words), 0, -1):
        entry = _BY_NAME.get(" ".join(words[:cut]))
        if entry is not None:
            return _of_entry(entry, words[cut:])
    raise WordsError(f"'{' '.join(words)}' is no command; try: {_USAGE}")


def _of_entry(entry: std.CommandEntry, words: Sequence[str]) -> Frame:
    if words and not entry.most:
        raise WordsError(f"'{entry.name}' takes nothing after it, not '{' '.join(words)}'")
    data = [_number(word, f"data of '{entry.name}'") for word in words]
    if not entry.fewest <= len(data) <= entry.most:
        need = plural(entry.most, "byte")
        if entry.fewest < entry.most:
            need = f"{entry.fewest} to {need}"
        raise WordsError(f"'{entry.name}' takes {need} of data, not {len(data)}")
    if bad := [byte for byte in data if not 0 <= byte <= 0xFF]:
        raise WordsError(f"data byte {bad[0]} of '{entry.name}' is outside 0 to 255")
    meant_for = [address for commands, address in _ADDRESSEES if entry.byte in commands]
    address = meant_for[0] if meant_for else addresses.ANY_DEVICE
    return Frame(std.COMMAND_FIRST, address, entry.byte, bytes(data))
