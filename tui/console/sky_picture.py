"""The belt as seen from behind the dish, and the dish that looks along it, in braille.

The belt is drawn over the counts: a place on it stands straight above the same count on the
travel scale. Heights are a sketch, not an elevation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from tui.console.canvas import Canvas
from tui.console.distance import left_side, other, place_of
from tui.console.row_widget import Rows

if TYPE_CHECKING:
    from bridge.helm.snapshot import Scale, Snapshot

NAMES_FROM = 70  # cells from which on all satellites are named
TWO_ROWS_FROM = 15  # cells of height from which on names may stand in two rows above the belt
MARGIN = 3  # cells left free on either side, shared with the travel scale


@dataclass(frozen=True, slots=True)
class Span:
    """Counts low to high over so many cells; east is on the left in the north."""

    low: int
    high: int
    width: int
    hemisphere: str

    @classmethod
    def of(cls, scale: Scale, width: int) -> Span:
        """The span of a scale, stretched to ends and limits that lie outside of it."""
        known = [scale.east_end, scale.west_end, scale.limit_east, scale.limit_west]
        counts = [scale.low, scale.high, *(count for count in known if count is not None)]
        return cls(min(counts), max(counts), width, scale.hemisphere)

    def cell(self, count: float) -> float:
        """The place of a count, in cells from the left edge, kept inside the margins."""
        part = (count - self.low) / max(1, self.high - self.low)
        part = min(1.0, max(0.0, part))
        if self.hemisphere == "south":
            part = 1.0 - part
        return MARGIN + part * (self.width - 1 - 2 * MARGIN)


@dataclass(frozen=True, slots=True)
class Arch:
    """The belt as half an ellipse, in dots."""

    span: Span
    height: int  # cells

    @property
    def base(self) -> float:
        """Dots from the top down to the horizon."""
        return self.height * 4 - 3.0

    def place(self, count: float) -> tuple[float, float]:
        """Where a count lies on the belt."""
        x = self.span.cell(count) * 2 + 0.5
        half = self.span.width - 1 - 2 * MARGIN
        part = (x - self.span.width) / max(1, half)
        rise = math.sqrt(max(0.0, 1.0 - min(1.0, part * part)))
        top = 11.0 if self.height >= TWO_ROWS_FROM else 7.0  # room for names above
        return x, self.base - rise * (self.base - top)


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
    places = [(row, at) for row in scale.satellites if (at := place_of(row)) is not None]
    places.sort(key=lambda place: place[0].number == selected)  # the selected one is drawn last
    for row, at in places:
        _blob(canvas, *arch.place(at), "selected" if row.number == selected else "satellite")
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


def _blob(canvas: Canvas, x: float, y: float, ink: str) -> None:
    column, row = round(x) & ~1, round(y)
    for dx in (0, 1):
        for dy in (0, 1):
            canvas.dot(column + dx, row + dy, ink)


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


def draw_dish(canvas: Canvas, arch: Arch, count: int, *, moving: bool) -> None:
    """Draw the dish at the foot of the picture and its line of sight to the belt."""
    x, y = arch.place(count)
    size = min(arch.height * 4 * 0.26, arch.span.width * 0.24, 24.0)
    foot_x, foot_y = float(arch.span.width), arch.base
    hub_x, hub_y = foot_x, foot_y - size * 0.6
    dx, dy = x - hub_x, min(y - hub_y, -1.0)
    far = math.hypot(dx, dy)
    ux, uy = dx / far, dy / far
    ink = "motion" if moving else "dish"
    focus = size * 0.7
    canvas.line(hub_x + ux * (focus + 3), hub_y + uy * (focus + 3), x, y, ink="beam", every=3)
    canvas.path(((foot_x, foot_y), (hub_x, hub_y)), ink)
    canvas.line(foot_x - 3, foot_y + 1, foot_x + 3, foot_y + 1, ink=ink)
    for back in (0.0, 1.0):  # two dots thick
        bowl = []
        for step in range(-8, 9):
            across = step / 8 * size * 0.95
            deep = (across * across) / (4 * focus) - back
            bowl.append((hub_x + ux * deep - uy * across, hub_y + uy * deep + ux * across))
        canvas.path(bowl, ink)
    canvas.line(hub_x, hub_y, hub_x + ux * focus, hub_y + uy * focus, ink=ink, every=2)
    _blob(canvas, hub_x + ux * focus, hub_y + uy * focus, ink)
    column, row = int(x) >> 1, int(y) >> 2
    canvas.text(column, row, "◉", ink)


class Picture(Rows, can_focus=True):
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

    def look(self, snapshot: Snapshot, scale: Scale) -> None:
        """Draw the snapshot; nothing happens when neither dish, sky nor size changed."""
        width, height = self.size
        if width < 12 or height < 4:  # no room for a picture
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
