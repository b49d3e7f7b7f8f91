"""From counts to places on the screen: along the travel scale, and along the drawn belt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.helm.snapshot import Scale

MARGIN = 3  # cells free on either side, the same for belt and travel scale (judgement)
TWO_ROWS_FROM = 15  # cells of height; from here names have two rows above the belt (judgement)


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
        """The place of a count, in cells from the left edge, inside the margins."""
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
        reach = self.span.width - 1 - 2 * MARGIN
        part = (x - self.span.width) / max(1, reach)
        rise = math.sqrt(max(0.0, 1.0 - min(1.0, part * part)))
        top = 11.0 if self.height >= TWO_ROWS_FROM else 7.0  # room for names above
        return x, self.base - rise * (self.base - top)
