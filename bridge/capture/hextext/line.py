"""One line of hex text -> a time and bytes; no I/O.

    0.106477 E1 E8 58            [  0.028371] E0 A2          00:00:00.054  E3 34
    59 ms: E3EFE8                t=0.081s data=[E1 1C]       0.075290,E0 F8 7D
    "0.029967","E3 D8 3A"        E0.9E.CD
    { 0xe1, 0xd7 };              E1:E0:86   E2-03-5B   E3h ABh   \\xE0\\x31   $E0 $31
    12:00:00.5 TX: E0 31 68 FF   {"t_s": 0.5, "hex": "E0 31 68 FF"}

A number without a unit and without a fraction in front of a frame is a line number, not a time.
"10 E0 31 66" is line 10 of a list: no message of this bus begins with 10, and E0 begins one.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace

from bridge.bus import standard as std
from bridge.bus.frame import LONGEST_READ, head_of
from bridge.bus.hex_text import parse_hex_word
from bridge.capture.clock import read_clock
from bridge.capture.units import TIME_UNITS_S, units_per_second

FRAMINGS = frozenset([*std.FRAMINGS, *std.SINGLE_CABLE_FRAMINGS])  # bytes that begin a frame
HOURS_MOST = 999  # h; times here may count on from the start of a recording (common practice)
HEX_NAMES = ("hex", "frame", "data", "bytes", "octets", "message", "payload")  # common practice
LABELS_MOST = 4  # labels before the bytes, such as "bus: TX: data =" (judgement)
TIME_NAMES = ("t_s", "time_s", "time", "t", "timestamp", "start")  # common practice

_UNIT = f"(?P<unit>{'|'.join(sorted(TIME_UNITS_S, key=len, reverse=True))})"
_TIME = re.compile(
    rf"""\s* [\[(<@]? \s* (?:(?:time|t|at)\s*[=:]\s*|T\+)?
    (?: (?P<date>\d{{4}}-\d\d-\d\d)[T\s]+ )?
    (?: (?P<clock>\d{{1,3}}:[0-5]\d:[0-5]\d(?:[.,]\d{{1,18}})?)(?:Z|[+-]\d\d:?\d\d)?(?![:\w])
      | (?P<minutes>\d{{1,3}}:[0-5]\d\.\d{{1,18}})(?![:\w])
      | (?P<number>[+-]?\d+(?:\.\d+(?:[eE][+-]?\d+)?|,\d{{3,}}|[eE]-\d+)?)
        (?: \s*{_UNIT}(?![\w]) )?
    ) \s* [\])>]? \s* (?P<mark>[:;,|>=\t-]*) \s* (?P<rest>.*)""",
    re.VERBOSE | re.DOTALL,
)
_INDEX = re.compile(
    r"\s*(?:\[\d+\]|\(\d+\)|#?\d+[:.)|]|\d+\t|\d+,(?=[0-9A-Fa-f]{2}[ :-]))\s*(?=\S)"
)
_NUMBER = re.compile(r"(\d{1,7})[ \t]+(?=[0-9A-Fa-f.]{2})")
_LABEL = re.compile(
    r"\s*(?:[A-Za-z][\w .]*?\s*[=:]|[-<>=]*>|<[-<=]*(?=\s)"
    r"|\[\d\]|\(\d\)|\d\s*(?:byte|octet)s?\b\s*[=:]?)\s*"
)
_COMMENT = re.compile(r"\s*(?://.*|/\*.*?(?:\*/|$)|(?:(?<=\s)|(?<=^))(?:#|--|;|%|').*|\|.*\|\s*$)")
_RUN = re.compile(r"(?<![\w.])(?:(?:0x)?[0-9A-Fa-f]{2}[ ,:-]+){1,7}(?:0x)?[0-9A-Fa-f]{2}(?![\w.])")
_QUOTED = re.compile(r'"\s*([,;\t])\s*"')
_DOTTED = re.compile(r"(?:[0-9A-Fa-f]{2}[._]){2,7}[0-9A-Fa-f]{2}")
_DATE = re.compile(r"\b\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d)?)?\b")
_WORD = re.compile(r"(?<![\w])(?=[A-Za-z]*[G-Zg-z])[A-Za-z]{3,}")


class LineError(ValueError):
    """A line that is no frame; the message is the reason without its place."""


@dataclass(frozen=True, slots=True)
class HexLine:
    """A frame; `is_clock` when its time starts again at midnight; `number` if it is numbered."""

    time_s: float | None
    data: bytes
    is_clock: bool = False
    number: int | None = None


def parse_line(text: str, before: int | None = None) -> HexLine | None:
    """Read one line; None when it is empty, a comment or prose. Raises LineError.

    `before` is the number of the line before it, if that had one.

    >>> parse_line("t=0.081s data=[E1 1C 4D]").data.hex(" ")
    'e1 1c 4d'
    """
    text = text.strip(" \t\r\n\0\ufeff")
    if not text or text[0] in "%'*" or text.startswith(("#", "//", ";", "--", "/*")):
        return None
    if text[0] == "{" and '"' in text:
        return _parse_object(text)
    if text[0] == '"':  # fields in quotes, as spreadsheets write them
        text = _QUOTED.sub(r"\1", text).strip('"')
    if (numbered := _parse_numbered(text, before)) is not None:
        return numbered
    if (data := parse_bytes(text)) is not None:
        return HexLine(None, check_length(data))
    timed = _parse_timed(text)
    if timed is not None:
        return timed
    rest = text
    if found := _INDEX.match(rest):
        rest = rest[found.end() :]
        if (timed := _parse_timed(rest)) is not None:
            return timed
    if (data := _parse_payload(rest)) is not None:
        return HexLine(None, check_length(data))
    if is_prose(text):
        return None
    raise LineError(f"no frame can be read from {text[:40]!r}")


def is_prose(text: str) -> bool:
    """Tell whether a line has words and nothing that might be a run of bytes."""
    return _WORD.search(text) is not None and _RUN.search(_DATE.sub(" ", text)) is None


def read_time(text: str, unit_s: float) -> float | None:
    """Read a time in s; one without a unit is in units of `unit_s`. None when it is no time.

    >>> read_time("59 ms", 1.0), read_time("59", 1e-3), read_time("1:30.5", 1.0)
    (0.059, 0.059, 90.5)
    """
    found = _TIME.fullmatch(text)
    return None if found is None or found["rest"] else _to_seconds(found, unit_s)


def _to_seconds(found: re.Match[str], unit_s: float) -> float:
    if clock := found["clock"] or found["minutes"]:
        time_s = read_clock(clock, HOURS_MOST)
        assert time_s is not None, clock
        return time_s
    unit_s = TIME_UNITS_S[found["unit"]] if found["unit"] else unit_s
    return float(found["number"].replace(",", ".")) / units_per_second(unit_s)


def _parse_timed(text: str) -> HexLine | None:
    found = _TIME.match(text)
    if found is None or not found["rest"]:
        return None
    if found["number"] and not found["unit"] and found["number"].lstrip("+-").isdecimal():
        return None
    data = _parse_payload(found["rest"])
    if data is None:
        return None
    return HexLine(_to_seconds(found, 1.0), check_length(data), found["clock"] is not None)


def _parse_numbered(text: str, before: int | None) -> HexLine | None:
    """A line number and blanks in front of a frame, where it cannot be the frame's first byte."""
    found = _NUMBER.match(text)
    if found is None:
        return None
    number, rest = int(found[1]), text[found.end() :]
    may_be_byte = len(found[1]) == 2 and int(found[1], 16) in FRAMINGS
    if may_be_byte and before != number - 1:
        return None
    if (timed := _parse_timed(rest)) is not None:
        return replace(timed, number=number)
    data = _parse_payload(rest)
    if data is None or head_of(data).framing not in FRAMINGS:
        return None
    return HexLine(None, check_length(data), number=number)


def _parse_payload(text: str) -> bytes | None:
    """Bytes of what stands after the time: labels before and comments behind are dropped."""
    text = _COMMENT.sub("", text).strip()
    for _ in range(LABELS_MOST):
        if (data := parse_bytes(text)) is not None:
            return data
        label = _LABEL.match(text)
        if label is None or label.end() == 0:
            break
        text = text[label.end() :]
    first, *others = re.split(r"[\t,;|]", text)
    data = parse_bytes(first)
    if data is not None and (
        len(data) > 1 or not any(parse_hex_word(other.strip()) for other in others)
    ):
        return data
    runs = _RUN.findall(text)
    if len(runs) == 1 and _WORD.search(text):
        rest = text.replace(runs[0], " ", 1)
        if not re.search(r"(?<!\w)(?=\w*\d)[0-9A-Fa-f]{2,}(?!\w)", rest):
            return parse_bytes(runs[0])
    return None


def parse_bytes(text: str) -> bytes | None:
    """Bytes of a text that holds nothing else, in any spelling or layout; None when it does."""
    text = re.sub(r"^b?(?=['\"])|^(?:const\s+)?(?:unsigned char|uint8_t)\s.*?=", "", text)
    text = text.strip(" \t\r\n{}[]()<>;,\"'")
    if _DOTTED.fullmatch(text):
        text = text.replace(".", " ").replace("_", " ")
    if text[:2] == "\\x":
        text = text.replace("\\x", " \\x")
    tokens = [token for token in re.split(r"[\s,;:|-]+", text) if token]
    if not tokens:
        return None
    data = bytearray()
    for token in tokens:
        word = parse_hex_word(token)
        if word is None:
            return None
        data += word
    return bytes(data)


def check_length(data: bytes) -> bytes:
    """Give the bytes back. Raises LineError when they are too many for one frame."""
    if not 1 <= len(data) <= LONGEST_READ:
        raise LineError(f"{len(data)} bytes in one frame; allowed are 1 to {LONGEST_READ}")
    return data


def _parse_object(text: str) -> HexLine | None:
    try:
        fields = json.loads(text.rstrip(","))
    except (ValueError, RecursionError):
        raise LineError("this is no whole JSON object") from None
    if fields.get("kind", "frame") != "frame":
        return None
    value = next((fields[name] for name in HEX_NAMES if name in fields), None)
    if isinstance(value, list) and all(isinstance(n, int) and 0 <= n < 256 for n in value):
        data: bytes | None = bytes(value)
    else:
        data = parse_bytes(value) if isinstance(value, str) else None
    if data is None:
        raise LineError(f"no frame can be read from {value!r:.40}")
    time = next((fields[name] for name in TIME_NAMES if name in fields), None)
    if not isinstance(time, int | float) or isinstance(time, bool):
        time = None
    return HexLine(None if time is None else float(time), check_length(data))
