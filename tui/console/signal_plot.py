"""The last minute as a line of braille dots."""

from __future__ import annotations

from collections.abc import Sequence

from tui.console.canvas import Canvas, Run

WINDOW_S = 60.0  # s shown: the last minute (judgement)


def plot_rows(
    points: Sequence[tuple[float, float | None]],
    now_s: float,
    width: int,
    height: int,
    *,
    ink: str,
    best: float | None = None,
    floor: float | None = None,
    least: float = 1.0,
) -> list[list[Run]]:
    """Draw (time, value) of the last minute, newest at the right; `best` as a dotted line.

    The scale fits what is shown, but never spans less than `least`.
    """
    canvas = Canvas(width, height)
    seen = [(t, v) for t, v in points if v is not None and now_s - t <= WINDOW_S]
    values = [value for _, value in seen]
    if best is not None:
        values.append(best)
    if not values:
        return [canvas.row(y) for y in range(height)]
    high, low = max(values), min(values)
    if floor is not None:
        low = min(floor, low)
    if high - low < least:
        low = high - least
    dots = height * 4 - 1

    def down(value: float) -> float:
        return (high - value) / (high - low) * dots

    if best is not None:
        canvas.line(0, down(best), width * 2 - 1, down(best), ink="best", every=3)
    across = (width * 2 - 1) / WINDOW_S
    last: tuple[float, float] | None = None
    for t, value in seen:
        here = (width * 2 - 1 - (now_s - t) * across, down(value))
        if last is not None and abs(here[0] - last[0]) <= 3 * max(1.0, across):
            canvas.line(*last, *here, ink=ink)
        else:
            canvas.dot(*here, ink)
        last = here
    return [canvas.row(y) for y in range(height)]
