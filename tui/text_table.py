"""Tables of plain text that keep to a width, whatever letters a name is written in."""

from __future__ import annotations

import shutil
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

WIDTH = 80  # cells of the narrowest terminal served (judgement)


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a column, its width in cells, and whether its cells are set to the right."""

    head: str
    width: int
    right: bool = True


def cells_of(text: str) -> int:
    """How many cells of a terminal a text fills."""
    return sum(_cells(letter) for letter in text)


def _cells(letter: str) -> int:
    if unicodedata.combining(letter):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in "WF" else 1


def fit(text: str, width: int, right: bool = False) -> str:
    """A text cut or padded to a width in cells; a letter that cannot be shown becomes "?".

    >>> fit("Nettle", 4), fit("Elm", 5, right=True)
    ('Net…', '  Elm')
    """
    shown = "".join(letter if letter.isprintable() else "?" for letter in text)
    if cells_of(shown) > width:
        start, left = "", width - 1
        for letter in shown:
            left -= _cells(letter)
            if left < 0:
                break
            start += letter
        shown = start + "…"
    space = " " * (width - cells_of(shown))
    return space + shown if right else shown + space


def room() -> int:
    """The width of the terminal in cells; that of the narrowest one for a file or a pipe."""
    return max(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns)


def widened(columns: Sequence[Column], names: Iterable[str], cells: int) -> list[Column]:
    """The columns, with "name" as wide as its names need and as a line of `cells` allows.

    >>> narrow = (Column("no", 3), Column("name", 4, right=False))
    >>> [c.width for c in widened(narrow, ["Nettle", "Elm"], 9)]
    [3, 5]
    """
    spare = cells - sum(column.width + 1 for column in columns) + 1
    longest = max((cells_of(name) for name in names), default=0)
    return [
        replace(c, width=max(c.width, min(longest, c.width + spare))) if c.head == "name" else c
        for c in columns
    ]


def table(columns: Sequence[Column], rows: Iterable[Sequence[str]]) -> list[str]:
    """Lines of a table, heads first."""
    lines = [[column.head for column in columns], *rows]
    return [
        " ".join(
            fit(cell, c.width, c.right) for c, cell in zip(columns, line, strict=True)
        ).rstrip()
        for line in lines
    ]


def side(angle_deg: float, digits: int = 1) -> str:
    """An angle with its side spelled out, east positive.

    >>> side(41.2), side(-28.7), side(0.04)
    ('41.2E', '28.7W', '0.0E')
    """
    return f"{abs(angle_deg):.{digits}f}{'W' if angle_deg < 0 else 'E'}"


def number(value: float | None, digits: int, sign: bool = False) -> str:
    """A number with `digits` decimals; a dash where there is none.

    >>> number(2.25, 1), number(3.0, 0, sign=True), number(None, 1)
    ('2.2', '+3', '-')
    """
    if value is None:
        return "-"
    return f"{value:{'+' if sign else ''}.{digits}f}"
