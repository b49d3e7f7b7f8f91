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
from bridge.errors import FrameError, WordsError

HELP = (
    "halt",
    "drive east|west N counts|seconds",
    "limit east|west",
    "limits on|off",
    "store N",
    "goto N",
    "goto angle 22.0E",
    "status",
    "write port 0 horizontal|vertical high|low A|B A|B",
    "raw E0 31 68 FF",
)
_ANGLE = re.compile(r"(\d+(?:[.,]\d+)?)\s*°?\s*(E|W|EAST|WEST)")


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
        case [side]:
            _side(side)
            raise WordsError(
                f"'drive {side}' has no bound; say how far: "
                f"drive {side} 5 counts, or drive {side} 3 seconds"
            )
        case _:
            raise WordsError("say: drive east|west N counts, or drive east|west N seconds")


def _angle(words: Sequence[str]) -> Command:
    found = _ANGLE.fullmatch(" ".join(words).upper())
    if found is None:
        raise WordsError(f"an angle is written 22.0E or 10.5W, not '{' '.join(words)}'")
    return GotoAngle("east" if found[2][0] == "E" else "west", float(found[1].replace(",", ".")))


def _port_0(words: Sequence[str]) -> Frame:
    """Only the named lines change: each is cleared, and set where it is to be 1."""
    clears = sets = 0
    letters = ["position", "option"]
    for word in words:
        name = (
            f"{letters.pop(0)} {word.upper()}"
            if word.upper() in ("A", "B") and letters
            else word.lower()
        )
        for bit, when_set, when_clear in std.PORT_0_LINES:
            if name in (when_set, when_clear) and not clears & bit:
                clears |= bit
                sets |= bit if name == when_set else 0
                break
        else:
            raise WordsError(f"'{word}' is not a line of port 0 or comes twice; say: {HELP[8]}")
    if not words:
        raise WordsError(f"name the lines to set: {HELP[8]}")
    return Frame(
        std.COMMAND_FIRST, addresses.ANY_SWITCHER, std.WRITE_PORT_0, bytes([clears << 4 | sets])
    )


_BY_NAME = {entry.name.lower(): entry for entry in std.COMMANDS.values()}
_MEANT_FOR = (
    (range(0x60, 0x70), addresses.POLAR_POSITIONER),
    (range(0x48, 0x49), addresses.LINEAR_POLARIZER),
    ((*range(0x14, 0x18), *range(0x20, 0x30), *range(0x38, 0x3C)), addresses.ANY_SWITCHER),
)


def _by_table(words: Sequence[str]) -> Frame:
    """Any other command of the table by its name, then its data bytes as numbers."""
    for cut in range(len(words), 0, -1):
        entry = _BY_NAME.get(" ".join(words[:cut]).lower())
        if entry is None:
            continue
        data = [_number(word, f"data of '{entry.name}'") for word in words[cut:]]
        if not entry.fewest <= len(data) <= entry.most:
            need = (
                str(entry.fewest)
                if entry.fewest == entry.most
                else f"{entry.fewest} to {entry.most}"
            )
            raise WordsError(f"'{entry.name}' takes {need} bytes of data, not {len(data)}")
        if bad := [byte for byte in data if not 0 <= byte <= 0xFF]:
            raise WordsError(f"data byte {bad[0]} of '{entry.name}' is outside 0 to 255")
        address = next(
            (who for bytes_, who in _MEANT_FOR if entry.byte in bytes_), addresses.ANY_DEVICE
        )
        return Frame(std.COMMAND_FIRST, address, entry.byte, bytes(data))
    raise WordsError(f"'{' '.join(words)}' is no command; try: {'; '.join(HELP)}")


def _command(words: Sequence[str]) -> Command | None:
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
        case ["status"]:
            return AskStatus()
        case _:
            return None


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
        raise WordsError(f"no command; try: {'; '.join(HELP)}")
    try:
        if lower[0] == "raw":
            return Frame.parse(parse_hex(" ".join(given[1:])))
        if lower[:3] == ["write", "port", "0"] and not (len(lower) == 4 and lower[3][:1].isdigit()):
            return _port_0(lower[3:])
        command = _command(lower)
        if command is not None:
            return frame_of(command)
        if re.fullmatch(r"(0x)?[0-9a-f]{2}h?(,|0x|[0-9a-f])*", lower[0]):
            return Frame.parse(parse_hex(" ".join(given)))
        return _by_table(lower)
    except FrameError as error:
        raise WordsError(str(error)) from None
