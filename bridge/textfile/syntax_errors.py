"""Slips of the pen that make a text no TOML: each told with its line, and read past.

A reader of TOML stops at the first. Here the value it stumbles over is replaced by a mark, so that
one look at a file shows every slip and every wrong value in it.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass

MARK = "<unreadable>"  # stands in the data for a value that could not be read
MOST = 50  # slips after which a text is called no TOML at all

_AT = re.compile(r"\(at line (\d+), column (\d+)\)$")
_LINE = re.compile(r"(\s*([\w\-.\"']+)\s*=[ \t]*)(.*?)(\s*(#.*)?)$")


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip: its line from 1, its key where there is one, and what to do about it."""

    line: int
    key: str
    says: str


def read_past(text: str) -> tuple[dict[str, object], str, list[Slip]]:
    """The data of a text, the text as it was read, and the slips read past, by line.

    Where a slip cannot be read past, it is the last one told and the data are empty.
    """
    slips: list[Slip] = []
    while True:
        try:
            return tomllib.loads(text), text, slips
        except tomllib.TOMLDecodeError as error:
            slip, mended = _read_past_one(text, str(error))
        except RecursionError:
            slip, mended = Slip(1, "", "tables nest too deeply; a station needs two levels"), None
        slips.append(slip)
        if mended is None or len(slips) >= MOST:
            return {}, "", sorted(slips, key=lambda slip: slip.line)
        text = mended


def _read_past_one(text: str, says: str) -> tuple[Slip, str | None]:
    where = _AT.search(says)
    lines = text.split("\n")
    # an error "at end of document" belongs to the last line that says something
    last = max((i for i, line in enumerate(lines) if line.strip()), default=0)
    index = min(int(where[1]) - 1, last) if where else last
    said = (says[: where.start()] if where else says.removesuffix("(at end of document)")).strip()
    if where is None and len(pair_lines := _open_lines(lines, last)) == 1:
        index = pair_lines[0]
    found = _LINE.match(lines[index].rstrip("\r"))
    if found is None:
        return Slip(index + 1, "", f"not TOML: {said[0].lower()}{said[1:]}; mend this line"), None
    key, value = found[2], found[3]
    if "overwrite" in said:
        lines[index] = ""
        return Slip(index + 1, key, "stands twice in its table; keep one of them"), "\n".join(lines)
    if MARK in value:
        return Slip(index + 1, key, f"not TOML: {said[0].lower()}{said[1:]}; mend this line"), None
    lines[index] = f'{found[1]}"{MARK}"'
    return Slip(index + 1, key, _advice(key, value, said)), "\n".join(lines)


def _open_lines(lines: list[str], last: int) -> list[int]:
    """Where the last pair begins whose value is never closed."""
    for index in range(last, -1, -1):
        found = _LINE.match(lines[index].rstrip("\r"))
        if found and found[3][:1] in ("[", "{", '"', "'"):
            return [index]
    return []


def _advice(key: str, value: str, said: str) -> str:
    shown = value if len(value) <= 40 else value[:37] + "..."
    if not value:
        return "has no value; write one after =, or remove the line"
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        return f"{shown} has a decimal comma; write {value.replace(',', '.')}"
    if found := re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)\s*°?\s*([NSEWnsew])", value):
        number = found[1].replace(",", ".").lstrip("+")
        if found[2] in "SWsw":
            number = number.removeprefix("-") if number.startswith("-") else f"-{number}"
        return f"{shown} is not a number; north and east are positive, so write {number}"
    if found := re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", value):
        return f"{shown} is not a date; write {found[3]}-{int(found[2]):02}-{int(found[1]):02}"
    if re.fullmatch(r"[+-]?(\.\d+|\d+\.|0\d+(\.\d*)?)", value):
        return f"{shown} is not a number; write digits before and after the point, none extra"
    if re.fullmatch(r"[+-]?\d[\d.]*\s*[^\W\d].*", value):
        return f"{shown} is not a number; leave the unit out, it is in the key's name"
    if value.lower() in ("yes", "no", "on", "off", "true", "false"):
        return f"{shown} is not a value; write true or false"
    if re.match(r"[^\W\d]", value) and '"' not in value:
        return f'{shown} is not a value; put text between quotes, {key} = "{shown}"'
    return f"{shown} cannot be read ({said[0].lower()}{said[1:]}); mend the value"
