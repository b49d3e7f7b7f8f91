"""Which decimal mark a table uses, point or comma, and how a cell is read as a number.

17,98  17.98        both marks are tried on the first rows; the one that reads more cells wins
17,98               may be two columns: `is_split_decimal` tells
1,234.5  1.234,5    thousands set apart can be read in two ways, so they are refused
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from bridge.capture.table.header_words import LEVEL_WORDS
from bridge.errors import CaptureError

DECIMAL_MARKS = ".,"
FEW_WHOLES = 3  # whole volts that a quiet supply takes in the rows looked at (judgement)

_NUMBER = r"[+-]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?"
_NUMBERS = {mark: re.compile(_NUMBER.replace("[.]", f"[{mark}]")) for mark in DECIMAL_MARKS}
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|overload|overflow|ovl)", re.IGNORECASE)
_GROUPED = re.compile(
    r"[+-]?\d{1,3}(?:(?:,\d{3})+(?:\.\d*)?|(?:\.\d{3}){2,}|(?:\.\d{3})+,\d*"
    r"|(?:[ '\u00a0\u202f]\d{3})+(?:[.,]\d*)?)"
)


def is_number(field: str, decimal: str) -> bool:
    """Tell whether a field is a number, also one that is not finite.

    >>> [is_number(text, ",") for text in ("-17,98", "1,0E-5", "17.98", "overload", "")]
    [True, True, False, True, False]
    """
    return bool(_NUMBERS[decimal].fullmatch(field) or _NOT_FINITE.fullmatch(field))


def to_number(field: str, decimal: str) -> float | None:
    """Read a cell: a number, a level word, NaN where it is empty or not finite; else None.

    >>> to_number("17,98", ","), to_number("high", ","), to_number("", ","), to_number("17.98", ",")
    (17.98, 1.0, nan, None)
    """
    if not field:
        return float("nan")
    if is_number(field, decimal):
        return float("nan") if _NOT_FINITE.fullmatch(field) else float(field.replace(decimal, "."))
    level = LEVEL_WORDS.get(field.casefold())
    return None if level is None else float(level)


def is_split_decimal(pairs: Sequence[Sequence[str]]) -> bool:
    """Tell whether two columns at a comma are one number with a decimal comma.

    No second column of numbers begins with 0, and no first one with -0. Else the second is a
    fraction where all are as long, and the whole numbers before it are of a signal at rest.

    >>> is_split_decimal([("17", "981"), ("17", "979")]), is_split_decimal([("1", "9"), ("2", "8")])
    (True, False)
    """
    if not all(len(p) == 2 and p[0].lstrip("+-").isdecimal() and p[1].isdecimal() for p in pairs):
        return False
    if any((len(pair[1]) > 1 and pair[1][0] == "0") or pair[0] == "-0" for pair in pairs):
        return True
    wholes = {pair[0] for pair in pairs}
    widths = {len(pair[1]) for pair in pairs}
    return len(wholes) <= FEW_WHOLES and wholes != {"0", "1"} and len(widths) == 1 < min(widths)


def is_grouped(field: str) -> bool:
    """Tell whether a field is a number with its thousands set apart.

    >>> [is_grouped(text) for text in ("1,234.5", "1.234,5", "1'234.5", "1 234", "1.234", "12,5")]
    [True, True, True, True, False, False]
    """
    return _GROUPED.fullmatch(field) is not None


def find_grouped(lines: Sequence[str]) -> tuple[int, str] | None:
    """The first number with its thousands set apart: line number, from 1, and text."""
    for number, line in enumerate(lines, start=1):
        if '"' in line:
            fields = re.findall(r'"([^"]*)"', line)
        elif ";" in line or "\t" in line:
            fields = re.split(r"[;\t]", line)
        else:
            continue  # the comma may part columns
        for field in fields:
            if is_grouped(field.strip()):
                return number, field.strip()
    return None


def refuse_grouped(where: str, field: str) -> CaptureError:
    """Make the error for a number whose thousands are set apart."""
    return CaptureError(
        f"{where}: {field[:30]!r} sets its thousands apart, which can be read in two ways; write"
        " plain numbers, such as 1234.56"
    )
