"""Evenness: tone or quiet that stands out from the slots of its own message.

A sender keeps its slots nearly alike. One that is off, though within what the standard allows,
was touched on the way.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING, Any, overload

from bridge.bus.event import Fault
from bridge.bus.keying.mark import Mark, in_ms
from bridge.bus.keying.slots import DOUBLE_S, LONGEST_GAP_S

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]

UNEVEN = 2.6  # median deviations from the median slot; slots spread evenly reach 2; judgement
FEWEST_SPANS = 12  # spans of tone and quiet from which a median is taken; judgement


@overload
def largest_even_s(slots: int, typical_s: float, timing_error_s: float) -> float: ...
@overload
def largest_even_s(slots: NDArray[Any], typical_s: Reals, timing_error_s: float) -> Reals: ...
def largest_even_s(slots: Any, typical_s: Any, timing_error_s: float) -> Any:
    """How far `slots` slots together may lie off, where `typical_s` is the median deviation of one.

    Both ends of a span are timed to within `timing_error_s`.
    """
    return slots * UNEVEN * typical_s + 2 * timing_error_s


def check_evenness(marks: Sequence[Mark], faults: list[Fault], timing_error_s: float) -> None:
    """Append a fault for each tone or quiet that stands out from the slots of its message."""
    spans: list[tuple[float, str, float]] = []
    for n, mark in enumerate(marks):
        spans.append((mark.length_s, "tone", mark.on_s))
        if n + 1 < len(marks):
            spans.append((marks[n + 1].on_s - mark.off_s, "quiet", mark.off_s))
    spans = [span for span in spans if span[0] <= LONGEST_GAP_S]
    if len(spans) < FEWEST_SPANS:
        return
    each_s = [length_s / (1 if length_s < DOUBLE_S else 2) for length_s, _, _ in spans]
    slot_s = median(each_s)
    typical_s = median([abs(length_s - slot_s) for length_s in each_s])
    timing_error_s += max(0.0, *(mark.blur_s for mark in marks))
    for length_s, what, at_s in spans:
        slots = 1 if length_s < DOUBLE_S else 2
        if abs(length_s - slots * slot_s) > largest_even_s(slots, typical_s, timing_error_s):
            at = f"{in_ms(at_s - marks[0].on_s)}: {what} for {in_ms(length_s)}"
            usual = f"{slot_s * 1e3:.3f} +-{2 * typical_s * 1e3:.3f} ms a slot elsewhere in it"
            faults.append(Fault("uneven_slots", f"at {at}, {usual}"))
