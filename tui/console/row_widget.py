"""A widget made of rows of inked text, refreshed only where they change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from tui.console.canvas import Run

INKS = (
    "plain",
    "dim",
    "subtle",
    "strong",
    "title",
    "key",
    "keycap",
    "belt",
    "beyond",
    "satellite",
    "selected",
    "dish",
    "beam",
    "limit",
    "signal",
    "best",
    "good",
    "moving",
    "motion",
    "sim",
    "live",
    "trouble",
)


class RowWidget(Widget):
    """Shows rows of runs; `show` replaces them and redraws the rows that differ."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"ink--{ink}" for ink in INKS}

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._rows: list[list[Run]] = []
        self._styles_of_inks: dict[str, Style] = {}

    def show(self, rows: Sequence[Sequence[Run]]) -> None:
        """Replace what is shown; an unchanged row costs nothing."""
        fresh = [list(row) for row in rows]
        if len(fresh) != len(self._rows):
            self._rows = fresh
            self.refresh()
            return
        width = max(1, self.size.width)
        changed = [
            Region(0, y, width, 1)
            for y, (old, new) in enumerate(zip(self._rows, fresh, strict=True))
            if old != new
        ]
        if changed:
            self._rows = fresh
            self.refresh(*changed)

    @property
    def text(self) -> str:
        """What is shown, as plain lines."""
        return "\n".join("".join(text for text, _ in row).rstrip() for row in self._rows)

    def ink(self, name: str) -> Style:
        """Return the style of an ink under the present theme."""
        style = self._styles_of_inks.get(name)
        if style is None:
            style = self.rich_style
            if name:
                style = self.get_component_rich_style(f"ink--{name}")
            self._styles_of_inks[name] = style
        return style

    def notify_style_update(self) -> None:
        """Forget styles when the theme, the focus or a class changes them."""
        super().notify_style_update()
        self._styles_of_inks.clear()

    def render_line(self, y: int) -> Strip:
        """Draw one row, cut or filled to the width."""
        width = self.size.width
        row = self._rows[y] if y < len(self._rows) else []
        return self.draw(row, width)

    def draw(self, row: Sequence[Run], width: int) -> Strip:
        """Turn runs into a strip of exactly `width` cells; a cut row ends in an ellipsis."""
        segments: list[Segment] = []
        left = width
        for text, ink in row:
            length = cell_len(text)
            if length > left:
                cut = set_cell_size(text, max(0, left - 1)) + "…" if left else ""
                segments.append(Segment(cut, self.ink(ink)))
                left = 0
                break
            segments.append(Segment(text, self.ink(ink)))
            left -= length
        if left:
            segments.append(Segment(" " * left, self.ink("")))
        return Strip(segments, width)


def spread(left: Sequence[Run], right: Sequence[Run], width: int) -> list[Run]:
    """Put runs at both ends of a row; the right one is dropped when there is no room."""
    used = sum(cell_len(text) for text, _ in left)
    wanted = sum(cell_len(text) for text, _ in right)
    gap = width - used - wanted
    if gap < 1:
        return list(left)
    return [*left, (" " * gap, ""), *right]
