"""Marks: stretches of tone on the line, as in telegraphy; the quiet between them is space.

0   |####|####|    |     1   |####|    |    |        slots of 0.5 ms, # is tone
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from bridge.bus import standard as std
from bridge.bus.event import Fault
from bridge.bus.parity import bits_of


@dataclass(frozen=True, slots=True)
class Mark:
    """A stretch of tone from `on_s` to `off_s`.

    A detector that decided the bit itself gives it as `bit`, and in `margin` how clearly: the
    logarithm of the likelihood ratio. `carrier_hz` and `level_vpp` are None where not measured.
    `faults` are what the detector saw wrong about it. `blur_s` is by how much less finely than
    usual its edges are known; less than 0 where they were measured twice. The level lies
    within `level_span` times `level_vpp`, as the carrier's shape is known.
    """

    on_s: float
    off_s: float
    bit: int | None = None
    margin: float = inf
    carrier_hz: float | None = None
    level_vpp: float | None = None
    faults: tuple[Fault, ...] = ()
    blur_s: float = 0.0
    level_span: tuple[float, float] = (1.0, 1.0)

    @property
    def length_s(self) -> float:
        """How long the tone lasts."""
        return self.off_s - self.on_s


def marks_of(data: bytes, start_s: float = 0.0, slot_s: float = std.SLOT_S) -> list[Mark]:
    """The stretches of tone that send these bytes.

    >>> [round(mark.length_s * 1e3, 3) for mark in marks_of(b"\\xe0")]
    [0.5, 0.5, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    """
    marks = []
    for n, bit in enumerate(bits_of(data)):
        on_s = start_s + 3 * n * slot_s
        marks.append(Mark(on_s, on_s + (1 if bit else 2) * slot_s))
    return marks


def count_marks(marks: Sequence[Mark]) -> str:
    """How many marks, in words.

    >>> count_marks([Mark(0.0, 1.0)])
    '1 stretch of tone'
    """
    return f"{len(marks)} stretch{'es' if len(marks) != 1 else ''} of tone"


def in_ms(time_s: float) -> str:
    """A time in ms with its unit.

    >>> in_ms(0.66e-3)
    '0.66 ms'
    """
    return f"{time_s * 1e3:.2f} ms"
