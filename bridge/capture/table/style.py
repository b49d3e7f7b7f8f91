"""How the rows of a table are written: separator, decimal mark, number of columns.

-50,00000000;17,98046       Style(";", ",", 2)
12:03:04.1 18.01 high       Style(" ", ".", 3)
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from bridge.capture.clock import is_clock, is_date
from bridge.capture.table.decimal_comma import DECIMAL_MARKS, is_number, is_split_decimal
from bridge.capture.table.header_words import LEVEL_WORDS

SAME_LINES = 12  # rows that must look alike (judgement)
COLUMNS_MOST = 256  # columns; more than any recorder has (judgement)
SEPARATORS = ("\t", ";", ",", "|", " ")  # common practice


@dataclass(frozen=True, slots=True)
class Style:
    """How a row is written."""

    separator: str | None  # None: one column
    decimal: str
    columns: int


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


def find_style(lines: list[str]) -> tuple[int, Style] | None:
    """First row and the style that makes the most numbers of its fields, then most columns."""
    best: tuple[int, Style] | None = None
    most = (0.0, 0)
    quoted = any('"' in line for line in lines)
    for separator in (*SEPARATORS, None):
        for decimal in DECIMAL_MARKS:
            if separator == decimal and not quoted:
                continue
            style = Style(separator, decimal, 0)
            start = _find_rows(lines, style)
            if start is None:
                continue
            first = lines[start : start + SAME_LINES]
            widths = Counter(len(split_row(line, style)) for line in first)
            style = Style(separator, decimal, widths.most_common(1)[0][0])
            if style.columns > COLUMNS_MOST:
                continue
            if separator == "," and style.columns == 2:
                rows = [split_row(line, style) for line in lines[start:] if line.strip()]
                if is_split_decimal(rows):
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
        if not is_row(fields, style) or (style.separator is not None and len(fields) < 2):
            if line.strip():
                run = 0
            continue
        if run == 0 or len(fields) != width:
            run, width, start = 0, len(fields), n
        run += 1
        if run >= SAME_LINES:
            return start
    return start if run >= 2 or (run == 1 and len(lines) == 1) else None


def is_row(fields: list[str], style: Style) -> bool:
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
