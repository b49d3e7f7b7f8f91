"""The dish at the foot of the picture and its line of sight to the belt, in braille dots."""

from __future__ import annotations

import math

from tui.console.canvas import Canvas
from tui.console.projection import Arch


def draw_blob(canvas: Canvas, x: float, y: float, ink: str) -> None:
    """Draw two by two dots."""
    column, row = round(x) & ~1, round(y)
    for dx in (0, 1):
        for dy in (0, 1):
            canvas.dot(column + dx, row + dy, ink)


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
    draw_blob(canvas, hub_x + ux * focus, hub_y + uy * focus, ink)
    column, row = int(x) >> 1, int(y) >> 2
    canvas.text(column, row, "◉", ink)
