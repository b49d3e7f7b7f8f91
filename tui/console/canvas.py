"""A grid of cells drawn in braille dots, each cell with an ink.

A cell is 2 dots wide and 4 high; x grows to the right, y downwards, both in dots. Text laid over
a cell hides its dots. No terminal is touched here: widgets turn rows into styled segments.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

Run = tuple[str, str]
"""A piece of a row: its text and the name of its ink."""

_BLANK = 0x2800  # the empty braille pattern (Unicode)
_DOTS = (
    (0x01, 0x08),
    (0x02, 0x10),
    (0x04, 0x20),
    (0x40, 0x80),
)  # [y % 4][x % 2], Unicode 2800-28FF


class Canvas:
    """Dots, inks and letters of `width` x `height` cells."""

    __slots__ = ("dots", "height", "inks", "letters", "width")

    def __init__(self, width: int, height: int) -> None:
        self.width = width
        self.height = height
        self.dots = bytearray(width * height)
        self.inks: list[str] = [""] * (width * height)
        self.letters: dict[int, str] = {}

    def copy(self) -> Canvas:
        """Return a canvas that can be drawn on without touching this one."""
        twin = Canvas.__new__(Canvas)
        twin.width, twin.height = self.width, self.height
        twin.dots, twin.inks = bytearray(self.dots), list(self.inks)
        twin.letters = dict(self.letters)
        return twin

    def dot(self, x: float, y: float, ink: str) -> None:
        """Set the dot nearest to (x, y); dots outside are dropped."""
        column, row = round(x), round(y)
        if 0 <= column < self.width * 2 and 0 <= row < self.height * 4:
            cell = (row >> 2) * self.width + (column >> 1)
            self.dots[cell] |= _DOTS[row & 3][column & 1]
            self.inks[cell] = ink

    def line(self, x0: float, y0: float, x1: float, y1: float, *, ink: str, every: int = 1) -> None:
        """Draw a straight line; `every` > 1 sets only each so many dots."""
        steps = max(1, math.ceil(max(abs(x1 - x0), abs(y1 - y0))))
        for step in range(0, steps + 1, every):
            part = step / steps
            self.dot(x0 + (x1 - x0) * part, y0 + (y1 - y0) * part, ink)

    def path(self, points: Iterable[tuple[float, float]], ink: str, every: int = 1) -> None:
        """Join points by straight lines."""
        last: tuple[float, float] | None = None
        for point in points:
            if last is not None:
                self.line(*last, *point, ink=ink, every=every)
            last = point

    def text(self, column: int, row: int, words: str, ink: str) -> None:
        """Write words from a cell to the right; letters outside are dropped."""
        if not 0 <= row < self.height:
            return
        for offset, letter in enumerate(words):
            if 0 <= column + offset < self.width:
                cell = row * self.width + column + offset
                self.letters[cell] = letter
                self.inks[cell] = ink

    def free(self, column: int, row: int, length: int) -> bool:
        """Tell whether so many cells are inside and hold neither dots nor letters."""
        if not (0 <= row < self.height and column >= 0 and column + length <= self.width):
            return False
        start = row * self.width + column
        cells = range(start, start + length)
        return not any(self.dots[cell] or cell in self.letters for cell in cells)

    def row(self, row: int) -> list[Run]:
        """Return a row as runs of one ink."""
        runs: list[Run] = []
        start = row * self.width
        text, ink = "", ""
        for cell in range(start, start + self.width):
            letter = self.letters.get(cell)
            if letter is None:
                bits = self.dots[cell]
                letter = chr(_BLANK + bits) if bits else " "
            if letter != " " and self.inks[cell] != ink:
                if text:
                    runs.append((text, ink))
                text, ink = "", self.inks[cell]
            text += letter
        runs.append((text, ink))
        return runs
