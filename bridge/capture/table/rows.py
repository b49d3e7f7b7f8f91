"""The rows of a table, a block at a time: the wanted columns as arrays of numbers.

A block whose rows all have their separators in place is read at once (`parse_floats`). A block that
holds anything else, a blank line, a comment, a word for a number, is read row by row.
"""

from __future__ import annotations

from codecs import BOM_UTF8
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.clock import parse_clocks, read_clock
from bridge.capture.parse_floats import NEWLINE, PAD, RETURN, SPACE, pad_block, parse_decimals
from bridge.capture.source import Source
from bridge.capture.table.decimal_comma import is_grouped, refuse_grouped, to_number
from bridge.capture.table.head import ROW_COMMENTS, Top
from bridge.capture.table.style import split_row
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

LINE_MOST = 1 << 20  # bytes of one row (judgement)
SPACES_MOST = 16  # in front of a number that is padded to a width (judgement)


@dataclass(frozen=True, slots=True)
class Rows:
    """Values of each wanted column, one array a column, and the lines they stand on.

    `broken` is the error of the row that follows them.
    """

    values: tuple[NDArray[np.float64], ...]
    first_line: int
    lines: tuple[int, ...] | None = None  # line numbers where they do not simply follow
    broken: CaptureError | None = None

    def line_of(self, row: int) -> int:
        """Line number of a row."""
        return self.first_line + row if self.lines is None else self.lines[row]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Columns to read; of `daily`, which holds times of the day, seconds since midnight."""

    top: Top
    columns: Sequence[int]
    daily: int | None
    name: str  # of the file


def read_rows(source: Source, wanted: Wanted, block: int) -> Iterator[Rows]:
    """Give the wanted columns of all rows; CaptureError with file and line."""
    top = wanted.top
    rest = b""
    line = top.first_line
    start = top.data
    if start == 0 and source.head.startswith(BOM_UTF8):
        start = len(BOM_UTF8)
    for data in source.blocks(block, start):
        text = rest + data if rest else data
        cut = text.rfind(b"\n") + 1
        rest = text[cut:]
        if len(rest) > max(LINE_MOST, 2 * block):
            raise CaptureError(
                f"{source.name}:{line}: a row of more than {len(rest):,} bytes;"
                " this is no table, or its line ends are lost"
            )
        if cut:
            rows, count = _read_block(text[:cut], wanted, line)
            line += count
            yield from _give(rows)
    if rest.strip():
        rows, _ = _read_block(rest, wanted, line, is_last=True)
        yield from _give(rows)


def _give(rows: Rows | None) -> Iterator[Rows]:
    if rows is None:
        return
    if rows.values[0].size:
        yield rows
    if rows.broken is not None:
        raise rows.broken


def _read_block(
    data: bytes, wanted: Wanted, line: int, *, is_last: bool = False
) -> tuple[Rows | None, int]:
    if not is_last:
        values = _read_fast(data, wanted)
        if values is not None:
            return Rows(values, line), values[0].size
    return _read_slowly(data, wanted, line, is_last=is_last)


def _read_fast(data: bytes, wanted: Wanted) -> tuple[NDArray[np.float64], ...] | None:
    columns, style = wanted.columns, wanted.top.style
    if style.separator == " ":
        return None
    if b'"' in data and style.separator != style.decimal:
        data = data.translate(None, b'"')
    block = pad_block(data)
    text = block[PAD:-8]
    if style.separator is None:
        ends = np.flatnonzero(text == NEWLINE)
        width = 1
    else:
        is_end = text == NEWLINE
        is_end |= text == ord(style.separator)
        ends = np.flatnonzero(is_end)
        width = style.columns
        if ends.size % width:
            return None
        lasts = text[ends].reshape(-1, width) == NEWLINE
        if not bool(lasts[:, -1].all()) or bool(lasts[:, :-1].any()):
            return None
    ends += PAD
    starts = np.empty_like(ends)
    starts[0] = PAD
    np.add(ends[:-1], 1, out=starts[1:])
    found = []
    for column in columns:
        low, high = starts[column::width], ends[column::width]
        if column == width - 1 and (block[high - 1] == RETURN).any():
            high = high - (block[high - 1] == RETURN)
        for _ in range(SPACES_MOST):
            blank = block[low] == SPACE
            if not blank.any():
                break
            low = low + blank
        values = (
            parse_clocks(block, low, high)
            if column == wanted.daily
            else parse_decimals(block, low, high, ord(style.decimal))
        )
        if values is None:
            return None
        found.append(values)
    return tuple(found)


def _read_slowly(
    data: bytes, wanted: Wanted, line: int, *, is_last: bool
) -> tuple[Rows | None, int]:
    name, columns, style = wanted.name, wanted.columns, wanted.top.style
    found: list[list[float]] = [[] for _ in columns]
    numbers: list[int] = []
    broken: CaptureError | None = None
    lines = data.decode("utf-8", "replace").split("\n")
    if not is_last:
        lines.pop()
    most = max(columns)
    for n, text in enumerate(lines, start=line):
        bare = text.strip("\r\n\0 \t")
        if not bare or bare.startswith(ROW_COMMENTS):
            continue
        fields = split_row(text, style)
        if len(fields) <= most:
            if is_last:
                break  # cut short
            broken = CaptureError(
                f"{name}:{n}: {len(fields)} of {style.columns} columns; complete the row"
                " or remove it"
            )
            break
        row = []
        for column in columns:
            field = fields[column]
            value = read_clock(field) if column == wanted.daily else to_number(field, style.decimal)
            if value is None:
                break
            row.append(value)
        if len(row) < len(columns):
            if is_last:
                break
            refused = fields[columns[len(row)]]
            broken = _refuse(f"{name}:{n}", refused, wanted.daily is not None)
            break
        for values, value in zip(found, row, strict=True):
            values.append(value)
        numbers.append(n)
    if not numbers and broken is None:
        return None, len(lines)
    arrays = tuple(np.array(values) for values in found)
    return Rows(arrays, line, tuple(numbers), broken), len(lines)


def _refuse(where: str, field: str, is_daily: bool) -> CaptureError:
    if is_grouped(field):
        return refuse_grouped(where, field)
    what = "number or time of the day" if is_daily else "number"
    return CaptureError(f"{where}: {field[:30]!r} is no {what}; correct the row or begin it with #")
