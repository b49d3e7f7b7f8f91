"""What the top of a table says: separator, decimal mark, columns, units, sample rate.

Record Length,86026            preamble: name and value
Sample Interval,1.0e-05
# sample_rate = 100000 Hz      comment
Time (ms);Channel 1 (V)        names, with units; or units on a line of their own
-50,00000000;17,98046          rows: the first of several lines that are alike
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from bridge.capture.clock import is_clock, is_date
from bridge.capture.source import Source
from bridge.capture.table.header_words import (
    LEVEL_WORDS,
    is_unit,
    read_rate,
    read_start,
    split_unit,
)

LOOK_LINES = 400  # lines among which the rows must have begun
SAME_LINES = 12  # rows that must look alike
COLUMNS_MOST = 256
FEW_WHOLES = 3  # whole volts that a quiet supply takes in the rows looked at
COMMENTS = ("#", "//", "%", "!", "'", "--")
SEPARATORS = ("\t", ";", ",", "|", " ")

_NUMBER = r"[+-]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?"
_NUMBERS = {mark: re.compile(_NUMBER.replace("[.]", f"[{mark}]")) for mark in ".,"}
_ODD = re.compile(r"[+-]?(?:nan|inf|infinity|overload|overflow|ovl)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Style:
    """How a row is written."""

    separator: str | None  # None: one column
    decimal: str
    columns: int


@dataclass(frozen=True, slots=True)
class Top:
    """What stands above the rows, and the first rows as text fields."""

    style: Style
    first_line: int  # line number of the first row
    data: int  # byte offset of its line
    names: tuple[str, ...]
    units: tuple[str, ...]  # as written, "" where none
    rate_hz: float | None
    start_s: float | None
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]  # line number of each of them


def looks_like_table(source: Source) -> bool:
    """Tell whether the first lines hold rows of numbers."""
    return read_top(source) is not None


def split_row(line: str, style: Style) -> list[str]:
    """Cut a row into fields without quotes and surrounding space."""
    line = line.strip("\r\n\0")
    if style.separator is None:
        return [line.strip(" \t\"'")]
    if style.separator == " ":
        return line.split()
    if '"' in line:
        mark = re.escape(style.separator)
        fields = re.findall(rf'(?:^|{mark})\s*("[^"]*"|[^{mark}]*)', line)
        return [field.strip(" \t\"'") for field in fields]
    return [field.strip() for field in line.split(style.separator)]


def is_number(field: str, decimal: str) -> bool:
    """Tell whether a field is a number, also one that is not finite."""
    return bool(_NUMBERS[decimal].fullmatch(field) or _ODD.fullmatch(field))


_GROUPED = re.compile(
    r"[+-]?\d{1,3}(?:(?:,\d{3})+(?:\.\d*)?|(?:\.\d{3}){2,}|(?:\.\d{3})+,\d*"
    r"|(?:[ '\u00a0\u202f]\d{3})+(?:[.,]\d*)?)"
)


def is_grouped(field: str) -> bool:
    """Tell whether a field is a number with its thousands set apart.

    >>> [is_grouped(text) for text in ("1,234.5", "1.234,5", "1'234.5", "1 234", "1.234", "12,5")]
    [True, True, True, True, False, False]
    """
    return _GROUPED.fullmatch(field) is not None


def find_grouped(source: Source) -> tuple[int, str] | None:
    """The first number with its thousands set apart, among the first lines: line and text."""
    lines = source.head.decode("utf-8", "replace").split("\n")[:LOOK_LINES]
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


def read_top(source: Source) -> Top | None:
    """Understand the first stretch of a table; None when no rows of numbers are found."""
    data = source.head.split(b"\n")
    lines = [_decode(line) for line in data]
    lines[0] = lines[0].removeprefix("\ufeff")
    if len(lines) > 1:
        lines = lines[:-1]  # the last one may be cut
    found = _find_style(lines[:LOOK_LINES])
    if found is None:
        return None
    start, style = found
    while start > 0 and _is_row(split_row(lines[start - 1], style), style):
        start -= 1
    rows, numbers = [], []
    for number, line in enumerate(lines[start:], start=start + 1):
        fields = split_row(line, style)
        if len(fields) == style.columns and _is_row(fields, style):
            rows.append(tuple(fields))
            numbers.append(number)
    if not rows:
        return None
    above = lines[:start]
    names, units = _read_names(above, style)
    rates = [rate for line in above if (rate := read_rate(line, style.decimal))]
    starts = [at for line in above if (at := read_start(line, style.decimal)) is not None]
    return Top(
        style,
        start + 1,
        sum(len(line) + 1 for line in data[:start]),
        names,
        units,
        rates[0] if rates else None,
        starts[0] if starts else None,
        tuple(rows),
        tuple(numbers),
    )


def _decode(line: bytes) -> str:
    """Read UTF-8, else Latin-1: older recorders write their µ so."""
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("latin-1")


def _find_style(lines: list[str]) -> tuple[int, Style] | None:
    """First row and the style that makes the most numbers of its fields, then most columns."""
    best: tuple[int, Style] | None = None
    most = (0.0, 0)
    quoted = any('"' in line for line in lines)
    for separator in (*SEPARATORS, None):
        for decimal in ".,":
            if separator == decimal and not quoted:
                continue
            style = Style(separator, decimal, 0)
            start = _find_rows(lines, style)
            if start is None:
                continue
            first = lines[start : start + SAME_LINES]
            widths = Counter(len(split_row(line, style)) for line in first)
            style = Style(separator, decimal, widths.most_common(1)[0][0])
            if style.columns > COLUMNS_MOST or _is_split_decimal(lines[start:], style):
                continue
            score = (_count_numbers(first, style), style.columns)
            if score > most:
                most, best = score, (start, style)
    return best


def _find_rows(lines: list[str], style: Style) -> int | None:
    """First line from which on several lines are rows of one number of columns."""
    run = width = 0
    start = None
    for n, line in enumerate(lines):
        fields = split_row(line, style)
        if not _is_row(fields, style) or (style.separator is not None and len(fields) < 2):
            if line.strip():
                run = 0
            continue
        if run == 0 or len(fields) != width:
            run, width, start = 0, len(fields), n
        run += 1
        if run >= SAME_LINES:
            return start
    return start if run >= 2 or (run == 1 and len(lines) == 1) else None


def _is_row(fields: list[str], style: Style) -> bool:
    """Tell whether fields are a row: numbers and levels, at most one text among three or more."""
    if not fields or fields[0].startswith("#"):
        return False
    numbers = levels = texts = 0
    for field in fields:
        if is_number(field, style.decimal) or is_clock(field):
            numbers += 1
        elif is_date(field):
            continue
        elif field.casefold() in LEVEL_WORDS:
            levels += 1
        elif field:
            texts += 1
    if not numbers:
        return False
    starts = _is_good(fields[0], style)
    return texts == 0 or (texts == 1 and starts and numbers + levels >= 2)


def _is_split_decimal(lines: list[str], style: Style) -> bool:
    """Tell whether two columns at a comma are one number with a decimal comma.

    No second column of numbers begins with 0, and no first one with -0. Else the second is a
    fraction where all are as long, and the whole numbers before it are of a signal at rest.
    """
    if style.separator != "," or style.columns != 2:
        return False
    pairs = [split_row(line, style) for line in lines if line.strip()]
    if not all(len(p) == 2 and p[0].lstrip("+-").isdecimal() and p[1].isdecimal() for p in pairs):
        return False
    if any((len(pair[1]) > 1 and pair[1][0] == "0") or pair[0] == "-0" for pair in pairs):
        return True
    wholes = {pair[0] for pair in pairs}
    widths = {len(pair[1]) for pair in pairs}
    return len(wholes) <= FEW_WHOLES and wholes != {"0", "1"} and len(widths) == 1 < min(widths)


def _count_numbers(lines: list[str], style: Style) -> float:
    """Share of the filled fields that are numbers or levels."""
    fields = [field for line in lines for field in split_row(line, style) if field]
    good = sum(_is_good(field, style) for field in fields)
    return round(good / max(len(fields), 1), 2)


def _is_good(field: str, style: Style) -> bool:
    """Tell whether a field is something that rows hold."""
    return (
        is_number(field, style.decimal)
        or field.casefold() in LEVEL_WORDS
        or is_clock(field)
        or (is_date(field) and style.separator != " ")  # a date and its clock are one field
    )


def _read_names(above: list[str], style: Style) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units from the last lines above the rows that have as many fields."""
    heads: list[list[str]] = []  # nearest first
    for line in reversed(above):
        bare = line.strip().lstrip("#%!;/ ") if line.strip().startswith(COMMENTS) else line
        if not bare.strip():
            continue
        fields = split_row(bare, style)
        if style.separator == " " and len(fields) != style.columns:
            fields = re.split(r"\s{2,}|\t", bare.strip())
        if len(fields) != style.columns or len(heads) == 2:
            break
        if style.columns == 1 and re.search(r"[=:]|\d{3}", bare):
            break
        if style.columns == 2 and is_number(fields[1], "."):
            break  # name and value: a preamble
        heads.append(fields)
        if not all(is_unit(field) for field in heads[0]):
            break
    names = heads[-1] if heads else [""] * style.columns
    units = heads[0] if len(heads) == 2 else [""] * style.columns
    split = [split_unit(name, unit) for name, unit in zip(names, units, strict=True)]
    return tuple(name for name, _ in split), tuple(unit for _, unit in split)
