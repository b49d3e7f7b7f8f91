"""The travel as a straight scale in counts: ends, limits, satellites and the dish on one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tui.console.canvas import Run
from tui.console.projection import Span
from tui.console.row_widget import RowWidget
from tui.console.travel_ends import count_of, left_side

if TYPE_CHECKING:
    from bridge.helm.snapshot import Scale, Snapshot


class CellRow:
    """A row of single cells, each with a letter and an ink."""

    def __init__(self, width: int) -> None:
        self.cells: list[Run] = [(" ", "")] * width

    def put(self, at: int, text: str, ink: str) -> None:
        """Write over what is there, inside the row."""
        for offset, letter in enumerate(text):
            if 0 <= at + offset < len(self.cells):
                self.cells[at + offset] = (letter, ink)

    def put_if_free(self, middle: int, text: str, ink: str) -> bool:
        """Write around a cell when it and one cell on either side are blank."""
        at = min(max(0, middle - len(text) // 2), max(0, len(self.cells) - len(text)))
        around = self.cells[max(0, at - 1) : at + len(text) + 1]
        if any(letter != " " for letter, _ in around):
            return False
        self.put(at, text, ink)
        return True

    def runs(self) -> list[Run]:
        """The row as runs of one ink."""
        runs: list[Run] = []
        for letter, ink in self.cells:
            if runs and (runs[-1][1] == ink):
                runs[-1] = (runs[-1][0] + letter, ink)
            else:
                runs.append((letter, ink))
        return runs


def scale_rows(snapshot: Snapshot, scale: Scale, width: int) -> list[list[Run]]:
    """Three rows: the dish with its count, the line of travel, the numbers under it."""
    span = Span.of(scale, width)

    def cell(count: int) -> int:
        return round(span.cell(count))

    above, line, below = CellRow(width), CellRow(width), CellRow(width)
    low, high = snapshot.limit_east, snapshot.limit_west
    for at in range(cell(span.low), cell(span.high) + 1) or range(
        cell(span.high), cell(span.low) + 1
    ):
        line.put(at, "╌", "beyond")
    first = cell(low if low is not None else span.low)
    last = cell(high if high is not None else span.high)
    for at in range(min(first, last), max(first, last) + 1):
        line.put(at, "━", "belt")
    selected = _selected(snapshot)
    for row in scale.satellites:
        if (place := count_of(row)) is not None:
            line.put(cell(place), "•", "satellite")
    if selected is not None:
        line.put(cell(selected), "◆", "selected")
    north = scale.hemisphere != "south"
    for end in (scale.east_end, scale.west_end):
        if end is not None:
            line.put(cell(end), "▌" if (end == scale.east_end) != north else "▐", "plain")
    off = snapshot.limits_on is False
    for count, bracket in ((low, "[" if north else "]"), (high, "]" if north else "[")):
        if count is not None:
            line.put(cell(count), "┊" if off else bracket, "limit")
    if snapshot.count is not None:
        _dish(above, line, cell(snapshot.count), snapshot, scale)
    for count in (low, high):
        if count is not None:
            below.put_if_free(cell(count), str(count), "limit")
    for end in (scale.east_end, scale.west_end):
        if end is not None:
            below.put_if_free(cell(end), str(end), "plain")
    if selected is not None:
        below.put_if_free(cell(selected), str(selected), "selected")
    step = 100 if scale.high - scale.low > 400 else 50  # about ten numbers
    for count in range(-(-scale.low // step) * step, scale.high + 1, step):
        below.put_if_free(cell(count), str(count), "subtle")
    return [above.runs(), line.runs(), below.runs()]


def _selected(snapshot: Snapshot) -> int | None:
    for row in snapshot.positions:
        if row.number == snapshot.selected:
            return count_of(row)
    return None


def _dish(above: CellRow, line: CellRow, at: int, snapshot: Snapshot, scale: Scale) -> None:
    """Point at the line from above; an arrow says which way it moves."""
    ink = "moving" if snapshot.moving else "dish"
    pointer, tip = "▼", 0
    if snapshot.moving is not None:
        leftward = snapshot.moving == left_side(scale.hemisphere)
        pointer, tip = ("◀▼", 1) if leftward else ("▼▶", 0)
    number = str(snapshot.count)
    start = at - tip - len(number) - 1
    if start >= 0:
        label = f"{number} {pointer}"
    else:
        label, start = f"{pointer} {number}", max(0, at - tip)
    above.put(start, label, ink)
    here = line.cells[at][0]
    line.put(at, "┃" if here in "━╌ " else here, ink)


class TravelScale(RowWidget):
    """The scale under the belt."""

    def present(self, snapshot: Snapshot, scale: Scale) -> None:
        """Show the snapshot."""
        if self.size.width > 0:
            self.show(scale_rows(snapshot, scale, self.size.width))
