"""The belt as seen from behind the dish, in braille, and the widget that shows it with the dish.

The belt is drawn over the counts: a place on it stands straight above the same count on the
travel scale. Heights are a sketch, not an elevation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from tui.console.canvas import Canvas
from tui.console.dish_picture import draw_blob, draw_dish
from tui.console.projection import Arch, Span
from tui.console.row_widget import RowWidget
from tui.console.travel_ends import count_of, left_side, other

if TYPE_CHECKING:
    from bridge.helm.snapshot import Scale, Snapshot

NAMES_FROM = 70  # cells of width; from here all satellites are named (judgement)
LEAST_WIDTH, LEAST_HEIGHT = 12, 4  # cells; a smaller picture is not drawn (judgement)


def draw_sky(
    scale: Scale, limits: tuple[int | None, int | None], selected: int, width: int, height: int
) -> Canvas:
    """Draw what does not move: belt, satellites, ends, limits and the words east and west."""
    canvas = Canvas(width, height)
    span = Span.of(scale, width)
    arch = Arch(span, height)
    low, high = limits
    for step in range(span.low, span.high + 1):
        inside = (low is None or step >= low) and (high is None or step <= high)
        x, y = arch.place(step)
        if inside or step % 3 == 0:
            canvas.dot(x, y, "belt" if inside else "beyond")
    _draw_ground(canvas, arch)
    left = left_side(scale.hemisphere)
    canvas.text(0, 0, f"◀ {left}", "title")
    right = f"{other(left)} ▶"
    canvas.text(width - len(right), 0, right, "title")
    for limit in limits:
        if limit is not None:
            _mark(canvas, arch, limit)
    places = [(row, at) for row in scale.satellites if (at := count_of(row)) is not None]
    places.sort(key=lambda place: place[0].number == selected)  # the selected one is drawn last
    for row, at in places:
        draw_blob(canvas, *arch.place(at), "selected" if row.number == selected else "satellite")
    for row, at in reversed(places):
        chosen = row.number == selected
        if chosen or width >= NAMES_FROM:
            _name(canvas, arch, row.name, at, "selected" if chosen else "satellite", always=chosen)
    return canvas


def _draw_ground(canvas: Canvas, arch: Arch) -> None:
    for x in range(0, canvas.width * 2, 3):
        canvas.dot(x, arch.base + 2, "beyond")


def _mark(canvas: Canvas, arch: Arch, count: int) -> None:
    """Set the same bracket as on the travel scale beside the belt, on its outer side."""
    x, y = arch.place(count)
    left = x < arch.span.width
    column = (int(x) >> 1) + (-1 if left else 1)
    canvas.text(column, int(y) >> 2, "[" if left else "]", "limit")


def _name(canvas: Canvas, arch: Arch, name: str, count: int, ink: str, *, always: bool) -> None:
    """Write a name outside the belt where there is room."""
    x, y = arch.place(count)
    column, row = int(x) >> 1, int(y) >> 2
    side = (x - arch.span.width) / max(1, arch.span.width)
    places = [(column - len(name) // 2, row - 1)]
    beside = (column - len(name) - 1, row) if side < 0 else (column + 2, row)
    above = (column - len(name), row - 1) if side < 0 else (column + 1, row - 1)
    if abs(side) > 0.35:  # the belt falls: beside is nearer than above
        places = [above, beside, *places]
    else:
        places += [above, (column - len(name) // 2, row - 2), beside]
    for at, line in places:
        if canvas.free(at - 1, line, len(name) + 2):
            canvas.text(at, line, name, ink)
            return
    if always:
        at = min(max(0, column - len(name) // 2), canvas.width - len(name))
        canvas.text(at, max(0, row - 1), name, ink)


class SkyPicture(RowWidget, can_focus=True):
    """The belt and the dish; the keys that move the dish work while it is focused."""

    HELP_TITLE: ClassVar[str] = "The belt and the dish"
    HELP: ClassVar[str] = (
        "You stand behind the dish and face the equator. The dots on the arch are satellites, at "
        "the counts that are stored or predicted for them; the brackets beside it are the soft "
        "limits; beyond them the arch is thin. The ring is where the dish points by the count. "
        "The arch is a sketch: widths are true to the counts, heights are not."
    )

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._sky: Canvas | None = None
        self._sky_key: object = None
        self._drawn: object = None

    def present(self, snapshot: Snapshot, scale: Scale) -> None:
        """Draw the snapshot; nothing happens when neither dish, sky nor size changed."""
        width, height = self.size
        if width < LEAST_WIDTH or height < LEAST_HEIGHT:
            return
        limits = (snapshot.limit_east, snapshot.limit_west)
        key = (scale, limits, snapshot.selected, width, height)
        drawn = (key, snapshot.count, snapshot.moving)
        if drawn == self._drawn:
            return
        if key != self._sky_key or self._sky is None:
            self._sky = draw_sky(scale, limits, snapshot.selected, width, height)
            self._sky_key = key
        canvas = self._sky.copy()
        if snapshot.count is None:
            canvas.text(width // 2 - 11, height // 2, "no count on this port", "dim")
        else:
            arch = Arch(Span.of(scale, width), height)
            draw_dish(canvas, arch, snapshot.count, moving=snapshot.moving is not None)
        self._drawn = drawn
        self.show([canvas.row(y) for y in range(height)])
