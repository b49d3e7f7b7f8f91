"""The position list as a spreadsheet keeps it: CSV out and in, decimal commas and all.

Columns are the keys of `[[position]]`. Separators of columns are found by themselves: a comma, a
semicolon or a tabulator. Rows are counted as a spreadsheet shows them, the header being row 1.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from pydantic import ValidationError

from bridge.errors import YardError
from bridge.station.model import Position
from bridge.textfile.messages import mistakes_in
from bridge.textfile.mistakes import TomlText

Cell = int | float | str | date | None
Decimal = Literal["point", "comma"]

COLUMNS = tuple(Position.model_fields)
NUMBERS = ("number", "longitude_deg", "count", "horizontal_deg", "vertical_deg")

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_NUMBER = re.compile(r"([+-]?)(\d+(?:[.,]\d*)?|[.,]\d+)\s*°?\s*([EWew]?)")
_ISO = re.compile(r"(\d{4})([-/])(\d{1,2})\2(\d{1,2})(?:[ T][\d:.]+)?")
_DOTTED = re.compile(r"(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})")
_EITHER = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})")  # day or month first: nobody knows
_DAY_NUMBER = re.compile(r"\d{5}(?:[.,]\d+)?")  # days since 1899, as a sheet keeps a date inside
_FORMULA = re.compile(r"'*[=+\-@\t]")  # text that a spreadsheet would reckon instead of show


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
        writer.writerow(_shown(getattr(row, key), decimal) for key in COLUMNS)
    return text.getvalue()


def _shown(value: Cell, decimal: Decimal) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(value).replace(".", ",") if decimal == "comma" else repr(value)
    if isinstance(value, str) and _FORMULA.match(value):
        return f"'{value}"
    return str(value)


def read_sheet(content: bytes, where: str) -> Sheet:
    """A list from CSV. Raises YardError with every mistake, one a line, by row and column."""
    text = _decoded(content, where).removeprefix("\ufeff")
    text, separator = _separator(text)
    told: list[str] = []
    rows: list[tuple[int, dict[str, Cell]]] = []
    columns: tuple[str, ...] = ()  # empty where a column has no name
    # not DictReader: it drops blank rows unseen, and then counts rows otherwise than the person
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number = 0
    try:
        for number, cells in enumerate(reader, 1):
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns, wrong = _columns(cells)
                told += [f"{where}: row {number}: {says}" for says in wrong]
                if "number" not in columns:
                    break
                continue
            found, wrong = _row(columns, cells, separator)
            told += [f"{where}: row {number}: {says}" for says in wrong]
            rows.append((number, found))
    except csv.Error as error:
        told.append(
            f"{where}: row {number + 1}: cannot be read: {error}; close its quotes, or save the"
            " sheet again as CSV"
        )
    if not columns and not told:
        told.append(f"{where}: is empty; its first row names the columns: {', '.join(COLUMNS)}")
    told += _shared(rows, where)
    if told:
        raise YardError("\n".join(told))
    return Sheet(where, tuple(name for name in columns if name), tuple(rows))


def _decoded(content: bytes, where: str) -> str:
    mark, encoding = next((m for m in _MARKS if content.startswith(m[0])), (b"", "utf-8"))
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
    if found := re.fullmatch(r"sep=(.)\s*", first):  # a spreadsheet's own hint, no row to it
        return rest, found[1]
    header = next((line for line in text.splitlines() if line.strip()), "")
    bare = re.sub(r'"[^"]*"', "", header)
    return text, max(";\t,", key=bare.count)


def _columns(cells: list[str]) -> tuple[tuple[str, ...], list[str]]:
    """The names in a header, empty where a column has none, and what is wrong with it."""
    names = [cell.strip().lower() for cell in cells]
    while names and not names[-1]:
        names.pop()
    told = []
    for name in filter(None, names):
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, 1, 0.75)
            near += [key for key in COLUMNS if key.partition("_")[0] == name]
            hint = f"write {near[0]}" if near else f"known are {', '.join(COLUMNS)}"
            told.append(f"column '{name}' is no key of a position; {hint}")
    told += [
        f"column '{name}' stands twice; keep one"
        for name in dict.fromkeys(names)
        if names.count(name) > 1 and name in COLUMNS
    ]
    if "number" not in names:
        told.append("column number is missing; it tells which position a row is")
    return tuple(names), told


def _row(
    columns: tuple[str, ...], cells: list[str], separator: str
) -> tuple[dict[str, Cell], list[str]]:
    """What a row holds, and what is wrong with it."""
    while len(cells) > len(columns) and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) != len(columns):
        hint = "put text that holds it between quotes"
        if separator == "," and len(cells) > len(columns):
            hint += ", and separate columns by ; where numbers have decimal commas"
        name = {"\t": "tabulator"}.get(separator, separator)
        says = f"holds {len(cells)} cells under {len(columns)} columns, separated by {name}"
        return {}, [f"{says}; {hint}"]
    found: dict[str, Cell] = {}
    wrong: list[str] = []
    unread: set[object] = set()
    for key, cell in zip(columns, cells, strict=True):
        if key not in COLUMNS:
            if not key and cell.strip():
                wrong.append(f"'{cell.strip()}' stands in a column without a name; give it one")
            continue
        try:
            found[key] = _value(key, cell)
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


def _value(key: str, cell: str) -> Cell:
    """A cell as its key wants it. Raises ValueError with the sentence that follows the key."""
    if key in ("name", "note"):
        text = cell.strip() if key == "name" else cell
        return (text[1:] if re.match(r"'+[=+\-@\t]", text) else text) or None
    cell = cell.replace("\N{MINUS SIGN}", "-").replace("\N{NO-BREAK SPACE}", " ").strip()
    if not cell:
        return None
    if key == "peaked":
        return _date(cell)
    found = _NUMBER.fullmatch(cell)
    if found is None or (found[3] and key != "longitude_deg"):
        raise ValueError(f"'{cell}' is not a number; write digits, with a point or a comma")
    number = float(found[1] + found[2].replace(",", "."))
    if found[3] in ("W", "w"):
        number = -number
    return int(number) if key in ("number", "count") and number.is_integer() else number


def _date(cell: str) -> date:
    iso, dotted, either = (form.fullmatch(cell) for form in (_ISO, _DOTTED, _EITHER))
    days: list[date] = []
    try:
        if iso:
            return date(int(iso[1]), int(iso[3]), int(iso[4]))
        if dotted:
            return date(int(dotted[3]), int(dotted[2]), int(dotted[1]))
        days = _either_way(*map(int, either.groups())) if either else []
    except ValueError:
        raise ValueError(f"'{cell}' is no day of the calendar; correct it") from None
    if days:
        doubt = "may be read in two ways" if len(days) > 1 else "is not sure"
        raise ValueError(f"'{cell}' {doubt}; write {' or '.join(map(str, days))}")
    if _DAY_NUMBER.fullmatch(cell):
        raise ValueError(f"'{cell}' is a sheet's own number of a day; format it as 2026-05-04")
    raise ValueError(f"'{cell}' is no date that is sure; write it as 2026-05-04")


def _either_way(first: int, second: int, year: int) -> list[date]:
    """The days that a date may mean whose day or month stands first. Raises ValueError."""
    pairs = {(month, day) for day, month in ((first, second), (second, first)) if month <= 12}
    return [date(year, month, day) for month, day in sorted(pairs or {(first, second)})]


def _shared(rows: list[tuple[int, dict[str, Cell]]], where: str) -> list[str]:
    first: dict[Cell, int] = {}
    told = []
    for row, cells in rows:
        number = cells.get("number")
        if number is None:
            continue
        if number in first:
            told.append(
                f"{where}: row {row}: number: {number} stands in row {first[number]} too; give"
                " each its own"
            )
        first.setdefault(number, row)
    return told
