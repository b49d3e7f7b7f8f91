"""What the top of a table says: separator, decimal mark, columns, units, sample rate.

Record Length,86026            preamble: name and value
Sample Interval,1.0e-05
# sample_rate = 100000 Hz      comment
Time (ms);Channel 1 (V)        names, with units; or units on a line of their own
-50,00000000;17,98046          rows: the first of several lines that are alike
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.capture.source import Source
from bridge.capture.table.decimal_comma import is_number
from bridge.capture.table.header_words import is_unit, read_rate, read_start, split_unit
from bridge.capture.table.style import Style, find_style, is_row, split_row

LOOK_LINES = 400  # lines among which the rows must have begun (judgement)
ROW_COMMENTS = ("#", "//", "%")  # begin a comment among the rows (common practice)
HEAD_COMMENTS = (*ROW_COMMENTS, "!", "'", "--")  # and above them


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
    return find_style(_read_lines(source)[:LOOK_LINES]) is not None


def read_first_lines(source: Source) -> list[str]:
    """Give the lines among which the rows must have begun."""
    return source.head.decode("utf-8", "replace").split("\n")[:LOOK_LINES]


def read_top(source: Source) -> Top | None:
    """Understand the first stretch of a table; None when no rows of numbers are found."""
    lines = _read_lines(source)
    found = find_style(lines[:LOOK_LINES])
    if found is None:
        return None
    start, style = found
    while start > 0 and is_row(split_row(lines[start - 1], style), style):
        start -= 1
    rows, numbers = [], []
    for number, line in enumerate(lines[start:], start=start + 1):
        fields = split_row(line, style)
        if len(fields) == style.columns and is_row(fields, style):
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
        sum(len(line) + 1 for line in source.head.split(b"\n")[:start]),
        names,
        units,
        rates[0] if rates else None,
        starts[0] if starts else None,
        tuple(rows),
        tuple(numbers),
    )


def _read_lines(source: Source) -> list[str]:
    """The whole lines of the head, without a byte-order mark."""
    lines = [_decode(line) for line in source.head.split(b"\n")]
    lines[0] = lines[0].removeprefix("\ufeff")
    return lines[:-1] if len(lines) > 1 else lines  # the last one may be cut


def _decode(line: bytes) -> str:
    """Read UTF-8, else Latin-1: older recorders write their µ so."""
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("latin-1")


def _read_names(above: list[str], style: Style) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units from the last lines above the rows that have as many fields."""
    heads: list[list[str]] = []  # nearest first
    for line in reversed(above):
        bare = line.strip().lstrip("#%!;/ ") if line.strip().startswith(HEAD_COMMENTS) else line
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
