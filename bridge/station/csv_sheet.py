"""The position list as CSV for a spreadsheet, out and in.

Columns are the keys of `[[position]]`. What separates them is found in the header: a comma, a
semicolon or a tab. Rows are counted as a spreadsheet shows them; the header is row 1.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass

from pydantic import ValidationError

from bridge.errors import YardError
from bridge.station.cell import Cell, Decimal, read_cell, write_cell
from bridge.station.model import Position
from bridge.textfile.messages import LIKENESS, mistakes_in
from bridge.textfile.mistakes import TomlText

COLUMNS = tuple(Position.model_fields)

_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """The columns of a spreadsheet, and each row's number and cells; an empty cell is None."""

    where: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, Cell]], ...]


def write_sheet(positions: Iterable[Position], decimal: Decimal = "point") -> str:
    """The list as CSV (RFC 4180); with decimal commas the columns are separated by semicolons.

    >>> row = Position(number=1, name="Alder", longitude_deg=41.2, count=94)
    >>> write_sheet([row], "comma").splitlines()[1]
    '1;Alder;41,2;94;-45,0;45,0;;'
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=";" if decimal == "comma" else ",")
    writer.writerow(COLUMNS)
    for row in positions:
        writer.writerow(write_cell(getattr(row, key), decimal) for key in COLUMNS)
    return text.getvalue()


def read_sheet(content: bytes, where: str) -> Sheet:
    """A list from CSV. Raises YardError with every mistake, one a line, by row and column."""
    text = _decoded(content, where).removeprefix("\ufeff")
    text, separator = _separator(text)
    problems: list[str] = []
    rows: list[tuple[int, dict[str, Cell]]] = []
    columns: tuple[str, ...] = ()  # empty where a column has no name
    # not DictReader: it skips blank rows, and then its row numbers are not those of the sheet
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number = 0
    try:
        for number, cells in enumerate(reader, 1):
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns, wrong = _columns(cells)
                problems += [f"{where}: row {number}: {message}" for message in wrong]
                if "number" not in columns:
                    break
                continue
            found, wrong = _row(columns, cells, separator)
            problems += [f"{where}: row {number}: {message}" for message in wrong]
            rows.append((number, found))
    except csv.Error as error:
        problems.append(
            f"{where}: row {number + 1}: cannot be read: {error}; close its quotes, or save the"
            " sheet again as CSV"
        )
    if not columns and not problems:
        problems.append(f"{where}: is empty; its first row names the columns: {', '.join(COLUMNS)}")
    problems += _shared_numbers(rows, where)
    if problems:
        raise YardError("\n".join(problems))
    return Sheet(where, tuple(name for name in columns if name), tuple(rows))


def _decoded(content: bytes, where: str) -> str:
    mark, encoding = next(
        (m for m in _BYTE_ORDER_MARKS if content.startswith(m[0])), (b"", "utf-8")
    )
    try:
        return content.removeprefix(mark).decode(encoding)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise YardError(
            f"{where}: line {line}: byte {error.start + len(mark)} is not {encoding.upper()}; save"
            " the sheet as CSV UTF-8"
        ) from None


def _separator(text: str) -> tuple[str, str]:
    """The text from its header on, and what separates its columns."""
    first, _, rest = text.partition("\n")
    if found := re.fullmatch(r"sep=(.)\s*", first):  # a hint to spreadsheets, which is no row
        return rest, found[1]
    header = next((line for line in text.splitlines() if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", header)
    return text, max(";\t,", key=bare.count)


def _columns(cells: list[str]) -> tuple[tuple[str, ...], list[str]]:
    """The names in a header, empty where a column has none, and what is wrong with it."""
    names = [cell.strip().lower() for cell in cells]
    while names and not names[-1]:
        names.pop()
    problems = []
    for name in filter(None, names):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, 1, LIKENESS)
            near += [key for key in COLUMNS if key.partition("_")[0] == name]
            hint = f"write {near[0]}" if near else f"known are {', '.join(COLUMNS)}"
            problems.append(f"column '{name}' is no key of a position; {hint}")
    problems += [
        f"column '{name}' stands twice; keep one"
        for name in dict.fromkeys(names)
        if names.count(name) > 1 and name in COLUMNS
    ]
    if "number" not in names:
        problems.append("column number is missing; it says which position a row is")
    return tuple(names), problems


def _row(
    columns: tuple[str, ...], cells: list[str], separator: str
) -> tuple[dict[str, Cell], list[str]]:
    """What a row holds, and what is wrong with it."""
    while len(cells) > len(columns) and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) != len(columns):
        hint = "put text that holds one between quotes"
        if separator == "," and len(cells) > len(columns):
            hint += ", and separate columns by ; where numbers have decimal commas"
        name = {"\t": "tabs", ";": "semicolons", ",": "commas"}.get(separator, separator)
        message = f"holds {len(cells)} cells under {len(columns)} columns, separated by {name}"
        return {}, [f"{message}; {hint}"]
    found: dict[str, Cell] = {}
    wrong: list[str] = []
    unread: set[object] = set()
    for key, cell in zip(columns, cells, strict=True):
        if key not in COLUMNS:
            if not key and cell.strip():
                wrong.append(f"'{cell.strip()}' stands in a column without a name; give it one")
            continue
        try:
            found[key] = read_cell(key, cell)
        except ValueError as error:
            wrong.append(f"{key}: {error}")
            unread.add(key)
    given = {key: value for key, value in found.items() if value is not None}
    try:
        Position.model_validate(given if "name" in columns else {**given, "name": ""})
    except ValidationError as error:
        mistakes = mistakes_in(error, TomlText("", "", {}), Position)
        wrong += [f"{m.path[0]}: {m.message}" for m in mistakes if m.path[0] not in unread]
    return found, wrong


def _shared_numbers(rows: list[tuple[int, dict[str, Cell]]], where: str) -> list[str]:
    """Position numbers that stand in two rows."""
    first: dict[Cell, int] = {}
    problems = []
    for row, cells in rows:
        number = cells.get("number")
        if number is None:
            continue
        if number in first:
            problems.append(
                f"{where}: row {row}: number: {number} stands in row {first[number]} too; give"
                " each its own"
            )
        first.setdefault(number, row)
    return problems
