"""One cell of a spreadsheet: numbers with decimal commas, dates as people write them, text."""

from __future__ import annotations

import re
from datetime import date
from typing import Literal

Cell = int | float | str | date | None
Decimal = Literal["point", "comma"]

_NUMBER = re.compile(r"([+-]?)(\d+(?:[.,]\d*)?|[.,]\d+)\s*°?\s*([EWew]?)")
_ISO = re.compile(r"(\d{4})([-/])(\d{1,2})\2(\d{1,2})(?:[ T][\d:.]+)?")
_DOTTED = re.compile(r"(\d{1,2})\.\s*(\d{1,2})\.\s*(\d{4})")
_DAY_OR_MONTH_FIRST = re.compile(
    r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})"
)  # which of the two is first, nobody knows
_DAY_NUMBER = re.compile(r"\d{5}(?:[.,]\d+)?")  # days since 1899, as a sheet keeps a date inside
_FORMULA = re.compile(r"'*[=+\-@\t]")  # text that a spreadsheet would compute instead of show
_ESCAPED = re.compile(r"'+[=+\-@\t]")  # such text with the apostrophe that prevents it


def write_cell(value: Cell, decimal: Decimal) -> str:
    """A value as a spreadsheet reads it; an apostrophe keeps text from being a formula.

    >>> write_cell(41.2, "comma"), write_cell("=1+1", "point"), write_cell(None, "point")
    ('41,2', "'=1+1", '')
    """
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(value).replace(".", ",") if decimal == "comma" else repr(value)
    if isinstance(value, str) and _FORMULA.match(value):
        return f"'{value}"
    return str(value)


def read_cell(key: str, cell: str) -> Cell:
    """The value of a cell in the column `key`; None for an empty one.

    Raises ValueError with a sentence that carries on after the key.

    >>> read_cell("longitude_deg", "41,2"), read_cell("longitude_deg", "28.7 W")
    (41.2, -28.7)
    """
    if key in ("name", "note"):
        text = cell.strip() if key == "name" else cell
        return (text[1:] if _ESCAPED.match(text) else text) or None
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
    """A day that can be read in one way only. Raises ValueError for any other."""
    iso, dotted, either = (form.fullmatch(cell) for form in (_ISO, _DOTTED, _DAY_OR_MONTH_FIRST))
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
