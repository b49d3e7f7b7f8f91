"""The list of positions: number, name, orbital longitude, stored count, way from here."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.message import Message

from tui.console.canvas import Run
from tui.console.row_widget import RowWidget
from tui.console.travel_ends import counts_to

if TYPE_CHECKING:
    from bridge.helm.snapshot import PositionRow, Snapshot


def longitude_text(longitude_deg: float | None) -> str:
    """Longitude as on screens everywhere in arcstep: `4.3E`, `28.7W`.

    >>> longitude_text(4.3), longitude_text(-28.7), longitude_text(None)
    ('4.3E', '28.7W', '')
    """
    if longitude_deg is None:
        return ""
    return f"{abs(longitude_deg):.1f}{'E' if longitude_deg >= 0 else 'W'}"


def position_row(row: PositionRow, count: int | None, *, selected: bool, width: int) -> list[Run]:
    """One position as a row."""
    ink = "selected" if selected else "plain"
    way = ""
    if row.count is not None:
        stored = f"{row.count:>5}"
        way = "" if count is None else counts_to(count, row.count)
    elif row.predicted is not None:
        stored, way = f"~{row.predicted:>4}", "not taught"
    else:
        stored, way = "    -", "not taught"
    name = max(6, width - 28)
    return [
        ("▸" if selected else " ", "selected"),
        (f"{row.number:>3} {row.name[:name]:<{name}}", ink),
        (f"{longitude_text(row.longitude_deg):>6} ", "dim"),
        (stored, ink if row.count is not None else "dim"),
        (f" {way:>10}", "dim" if way != "here" else "best"),
    ]


class PositionList(RowWidget, can_focus=True):
    """The list; up and down select, and the selected row stays in sight."""

    HELP_TITLE: ClassVar[str] = "The list of positions"
    HELP: ClassVar[str] = (
        "Number, name, orbital longitude, the count stored, and how far that is from here. A "
        "count with ~ is predicted from the geometry and not taught yet. Up and down select; "
        "s stores the present place under the selected number, g goes there, a digit selects by "
        "number."
    )

    class Picked(Message):
        """A row was chosen by mouse."""

        def __init__(self, number: int) -> None:
            self.number = number
            super().__init__()

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._top = 0
        self._numbers: list[int] = []

    def present(self, snapshot: Snapshot) -> None:
        """Show the list around the selected position."""
        width, height = self.size
        if width < 20 or height < 1:  # hidden
            return
        rows = list(snapshot.positions)
        numbers = [row.number for row in rows]
        at = numbers.index(snapshot.selected) if snapshot.selected in numbers else 0
        self._top = min(max(self._top, at - height + 2), max(0, at - 1))
        self._top = min(self._top, max(0, len(rows) - height))
        self._numbers = numbers[self._top : self._top + height]
        shown = [
            position_row(row, snapshot.count, selected=row.number == snapshot.selected, width=width)
            for row in rows[self._top : self._top + height]
        ]
        if not rows:
            shown = [[("No positions yet: a digit selects a number, s stores.", "dim")]]
        self.show(shown)

    def on_click(self, event: events.Click) -> None:
        """Select the row under the pointer."""
        if 0 <= event.y < len(self._numbers):
            self.post_message(self.Picked(self._numbers[event.y]))
