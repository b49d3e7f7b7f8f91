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

import csv
import json
import re
from dataclasses import dataclass, replace

FRAMINGS = frozenset([*range(0xE0, 0xE8), *range(0x70, 0x80)])  # bus specification; EN 50607
BYTES_MOST = 8  # longest message a line may hold; more is a dump, not a frame
DAY_S = 86400.0  # clock times start again after it
UNITS_S = {
    "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millis": 1e-3,
    "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "micros": 1e-6, "ns": 1e-9,
}  # fmt: skip
HEX_NAMES = ("hex", "frame", "data", "bytes", "octets", "message", "payload")
TIME_NAMES = ("t_s", "time_s", "time", "t", "timestamp", "start")

_UNIT = "(?P<unit>msec|millis|ms|usec|micros|us|µs|μs|ns|seconds|second|sec|s)"
_TIME = re.compile(
    rf"""\s* [\[(<@]? \s* (?:(?:time|t|at)\s*[=:]\s*|T\+)?
    (?: (?P<date>\d{{4}}-\d\d-\d\d)[T\s]+ )?
    (?: (?P<h>\d{{1,3}}):(?P<m>[0-5]\d):(?P<s>[0-5]\d(?:[.,]\d+)?)(?:Z|[+-]\d\d:?\d\d)?(?![:\w])
      | (?P<m2>\d{{1,3}}):(?P<s2>[0-5]\d\.\d+)(?![:\w])
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
    r"|\[\d\]|\(\d\)|\d\s*(?:bytes?|bytes?)\b\s*[=:]?)\s*"
)
_COMMENT = re.compile(r"\s*(?://.*|/\*.*?(?:\*/|$)|(?:(?<=\s)|(?<=^))(?:#|--|;|%|').*|\|.*\|\s*$)")
_BYTE = re.compile(
    r"(?:0x|\\x|\$|&h|x')?(?P<pairs>(?:[0-9a-f]{2})+)'?|0x(?P<one>[0-9a-f])"
    r"|0?(?P<tail>[0-9a-f]{2})h",
    re.IGNORECASE,
)
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


@dataclass(frozen=True, slots=True)
class Columns:
    """Which columns of a table of frames hold what, from its header line."""

    separator: str
    time: int | None
    hex: int
    kind: int | None
    unit_s: float


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
    if (data := _parse_bytes(text)) is not None:
        return HexLine(None, _check(data))
    timed = _parse_timed(text)
    if timed is not None:
        return timed
    rest = text
    if found := _INDEX.match(rest):
        rest = rest[found.end() :]
        if (timed := _parse_timed(rest)) is not None:
            return timed
    if (data := _parse_payload(rest)) is not None:
        return HexLine(None, _check(data))
    if is_prose(text):
        return None
    raise LineError(f"no frame can be read from {text[:40]!r}")


def find_columns(text: str) -> Columns | None:
    """Take a line for the header of a table of frames, when it names a hex column."""
    for separator in ("\t", ";", ","):
        fields = [field.strip(" \"'\r\n\ufeff") for field in text.split(separator)]
        if len(fields) < 2:
            continue
        names = [re.sub(r"[\s(\[].*", "", field).casefold() for field in fields]
        hexes = [n for n, name in enumerate(names) if name in HEX_NAMES]
        if not hexes:
            continue
        times = [
            n for n, name in enumerate(names) if name.startswith(("time", "t_")) or name == "t"
        ]
        unit = 1.0
        if times and (
            found := re.search(r"[\s(\[_/]([a-zµμ]+)[)\]]?$", fields[times[0]].casefold())
        ):
            unit = UNITS_S.get(found[1], 1.0)
        kind = names.index("kind") if "kind" in names else None
        return Columns(separator, times[0] if times else None, hexes[0], kind, unit)
    return None


def parse_row(text: str, columns: Columns) -> HexLine | None:
    """Read a row of a table of frames; None for an empty row or another kind of event."""
    try:
        rows = list(csv.reader([text.strip("\r\n")], delimiter=columns.separator))
    except csv.Error as error:
        raise LineError(f"this is no row of a table ({error})") from None
    fields = [field.strip(" \"'") for field in rows[0]] if rows else []
    if len(fields) <= columns.hex:
        if any(fields):
            raise LineError(f"{len(fields)} columns where the frame is column {columns.hex + 1}")
        return None
    if columns.kind is not None and fields[columns.kind] not in ("", "frame"):
        return None
    if not fields[columns.hex]:
        return None
    data = _parse_bytes(fields[columns.hex])
    if data is None:
        raise LineError(f"no frame can be read from {fields[columns.hex][:40]!r}")
    time_s = None
    if columns.time is not None and fields[columns.time]:
        plain = (
            fields[columns.time] if columns.separator == "," else _to_point(fields[columns.time])
        )
        whole = _TIME.fullmatch(plain)
        if whole is None or whole["rest"]:
            raise LineError(f"{fields[columns.time][:40]!r} is no time")
        time_s = _to_seconds(whole, columns.unit_s)
    return HexLine(time_s, _check(data))


def _to_point(text: str) -> str:
    return text.replace(",", ".")


def is_prose(text: str) -> bool:
    """Tell whether a line has words and nothing that might be a run of bytes."""
    return _WORD.search(text) is not None and _RUN.search(_DATE.sub(" ", text)) is None


def _parse_timed(text: str) -> HexLine | None:
    found = _TIME.match(text)
    if found is None or not found["rest"]:
        return None
    if found["number"] and not found["unit"] and found["number"].lstrip("+-").isdecimal():
        return None
    data = _parse_payload(found["rest"])
    if data is None:
        return None
    return HexLine(_to_seconds(found, 1.0), _check(data), found["h"] is not None)


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
    if data is None or data[0] not in FRAMINGS:
        return None
    return HexLine(None, _check(data), number=number)


def _to_seconds(found: re.Match[str], unit_s: float) -> float:
    if found["h"]:
        seconds = float(found["s"].replace(",", "."))
        return int(found["h"]) * 3600 + int(found["m"]) * 60 + seconds
    if found["m2"]:
        return int(found["m2"]) * 60 + float(found["s2"])
    unit = UNITS_S[found["unit"]] if found["unit"] else unit_s
    # decimal arithmetic on the text keeps 59 ms at 0.059
    return (
        float(f"{found['number'].replace(',', '.')}") * unit if unit == 1 else _scale(found, unit)
    )


def _scale(found: re.Match[str], unit: float) -> float:
    return float(found["number"].replace(",", ".")) / round(1 / unit)


def _parse_payload(text: str) -> bytes | None:
    """Bytes of what stands after the time: labels before and comments behind are dropped."""
    text = _COMMENT.sub("", text).strip()
    for _ in range(4):
        if (data := _parse_bytes(text)) is not None:
            return data
        label = _LABEL.match(text)
        if label is None or label.end() == 0:
            break
        text = text[label.end() :]
    first, *others = re.split(r"[\t,;|]", text)
    data = _parse_bytes(first)
    if data is not None and (
        len(data) > 1 or not any(_BYTE.fullmatch(other.strip()) for other in others)
    ):
        return data
    runs = _RUN.findall(text)
    if len(runs) == 1 and _WORD.search(text):
        rest = text.replace(runs[0], " ", 1)
        if not re.search(r"(?<!\w)(?=\w*\d)[0-9A-Fa-f]{2,}(?!\w)", rest):
            return _parse_bytes(runs[0])
    return None


def _parse_bytes(text: str) -> bytes | None:
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
        found = _BYTE.fullmatch(token)
        if found is None:
            return None
        data += bytes.fromhex(found["pairs"] or found["tail"] or f"0{found['one']}")
    return bytes(data)


def _check(data: bytes) -> bytes:
    if not 1 <= len(data) <= BYTES_MOST:
        raise LineError(f"{len(data)} bytes in one frame; allowed are 1 to {BYTES_MOST}")
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
        data = _parse_bytes(value) if isinstance(value, str) else None
    if data is None:
        raise LineError(f"no frame can be read from {value!r:.40}")
    time = next((fields[name] for name in TIME_NAMES if name in fields), None)
    if not isinstance(time, int | float) or isinstance(time, bool):
        time = None
    return HexLine(None if time is None else float(time), _check(data))
