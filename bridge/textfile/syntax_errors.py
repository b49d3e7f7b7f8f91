"""Mistakes that make a text no TOML: each found at its line, and read past.

A reader of TOML stops at the first. Here the value that it cannot read is replaced by a mark, so
that one pass over a file shows every mistake of syntax and every wrong value in it.
"""

from __future__ import annotations

import re
import tomllib

from bridge.textfile.mistakes import Problem

UNREADABLE = "<unreadable>"  # stands in the data for a value that could not be read
MISTAKES_MOST = 50  # mistakes after which a text is taken for no TOML at all (judgement)
SHOWN_LETTERS = 40  # letters of a value repeated in a message (judgement)

_PLACE = re.compile(r"\(at line (\d+), column (\d+)\)$")
_AT_END = "(at end of document)"
_PAIR = re.compile(r"(\s*([\w\-.\"']+)\s*=[ \t]*)(.*?)(\s*(#.*)?)$")
_OPENING = ("[", "{", '"', "'")  # what a value begins with that may go on over several lines


def read_toml(text: str) -> tuple[dict[str, object], str, list[Problem]]:
    """The data of a text, the valid TOML they were read from, and the mistakes of syntax by line.

    Where a mistake cannot be read past, it is the last one found, and the data are empty.

    >>> read_toml("a = 1,5")[0], str(read_toml("a = 1,5")[2][0])
    ({'a': '<unreadable>'}, '1: a: 1,5 has a decimal comma; write 1.5')
    """
    problems: list[Problem] = []
    while True:
        mended: str | None = None
        try:
            return tomllib.loads(text), text, problems
        except tomllib.TOMLDecodeError as error:
            problem, mended = _mend_one(text, str(error))
        except RecursionError:
            problem = Problem(1, "", "tables nest too deeply; a station needs two levels")
        problems.append(problem)
        if mended is None or len(problems) >= MISTAKES_MOST:
            return {}, "", sorted(problems, key=lambda problem: problem.line)
        text = mended


def _mend_one(text: str, report: str) -> tuple[Problem, str | None]:
    """The problem that tomllib reports, and the text with its line read past, if it can be."""
    lines = text.split("\n")
    index, reason = _place_and_reason(lines, report)
    pair = _PAIR.match(lines[index].rstrip("\r"))
    key, value = (pair[2], pair[3]) if pair else ("", "")
    if pair and "overwrite" in reason:  # tomllib gives its errors no code, only words
        lines[index] = ""
        message = "stands twice in its table; keep one of them"
    elif pair is None or UNREADABLE in value:
        return Problem(index + 1, key, f"not TOML: {reason}; mend this line"), None
    else:
        lines[index] = f'{pair[1]}"{UNREADABLE}"'
        message = _advice(key, value, reason)
    return Problem(index + 1, key, message), "\n".join(lines)


def _place_and_reason(lines: list[str], report: str) -> tuple[int, str]:
    """Which line, from 0, a report of tomllib is about, and its reason in small letters."""
    place = _PLACE.search(report)
    reason = (report[: place.start()] if place else report.removesuffix(_AT_END)).strip()
    reason = f"{reason[0].lower()}{reason[1:]}"
    # an error at the end of the document belongs to the last line that is not blank
    last = max((i for i, line in enumerate(lines) if line.strip()), default=0)
    if place:
        return min(int(place[1]) - 1, last), reason
    unclosed = _last_opening(lines[: last + 1])
    return last if unclosed is None else unclosed, reason


def _last_opening(lines: list[str]) -> int | None:
    """The last line whose value begins with a bracket or a quote: it is the one not closed."""
    for index in range(len(lines) - 1, -1, -1):
        pair = _PAIR.match(lines[index].rstrip("\r"))
        if pair and pair[3].startswith(_OPENING):
            return index
    return None


def _advice(key: str, value: str, reason: str) -> str:
    """What is wrong with a value that is no TOML, and what to write instead."""
    shown = value if len(value) <= SHOWN_LETTERS else f"{value[: SHOWN_LETTERS - 3]}..."
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
    return f"{shown} cannot be read ({reason}); mend the value"
