"""Marks -> bits: each bit by its tone and the quiet after it, with what is wrong about its slots.

    0   |####|####|    |     1   |####|    |    |        slots of 0.5 +-0.1 ms, # is tone

The figures of the standard are in `standard`; what is added to them here allows for how finely
edges are timed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import median

from bridge.bus import standard as std
from bridge.bus.event import Fault
from bridge.bus.keying.mark import Mark, in_ms

DOUBLE_S = 1.4 * std.SLOT_S  # s, tone or quiet this long is two slots; judgement
SHORTEST_S = 0.38e-3  # s, shorter tone or quiet is no slot: 0.4 allowed, less 5 %; judgement
SHORT_SHARE = 0.72  # of the median single slot of a message, where that is shorter yet; judgement
FEWEST_SINGLES = 4  # single slots from which a median is taken; judgement
LONGEST_BIT_S = 1.4e-3  # s of tone: 1.2 allowed for a 0, and an error of timing; judgement
LONGEST_GAP_S = 1.4e-3  # s of quiet: 1.2 allowed after a 1, and an error of timing; judgement
DOUBT_NATS = 3.0  # nats of log likelihood ratio, below which a bit is unclear; judgement


def join_marks(marks: Sequence[Mark], faults: list[Fault], timing_error_s: float) -> list[Mark]:
    """The marks with notches in tone closed and stray pulses dropped, each a fault."""
    origin_s = marks[0].on_s
    marks = _drop_lone_pulses(marks, faults, timing_error_s)
    gaps_s = [after.on_s - before.off_s for before, after in pairwise(marks)]
    shortest_gap_s = _shortest_slot_s(gaps_s, timing_error_s)
    joined = [marks[0]]
    for mark in marks[1:]:
        last = joined[-1]
        gap_s = mark.on_s - last.off_s
        if gap_s >= shortest_gap_s:
            joined.append(mark)
            continue
        at = in_ms(last.off_s - origin_s)
        faults.append(Fault("notch", f"no tone for {in_ms(gap_s)} at {at} inside a tone"))
        bit = last.bit if last.bit is not None else mark.bit
        margin = min(last.margin, mark.margin)
        joined[-1] = replace(last, off_s=mark.off_s, bit=bit, margin=margin)
    shortest_tone_s = _shortest_slot_s([mark.length_s for mark in joined], timing_error_s)
    slots = []
    for mark in joined:
        if mark.length_s >= shortest_tone_s or mark.bit is not None:
            slots.append(mark)
        else:
            faults.append(_pulse(mark, origin_s))
    return slots


def _drop_lone_pulses(
    marks: Sequence[Mark], faults: list[Fault], timing_error_s: float
) -> list[Mark]:
    """The marks without those too short for a slot between whole slots of tone and of quiet."""
    if len(marks) < 3:
        return list(marks)
    shortest_s = SHORTEST_S - timing_error_s
    slots = [marks[0]]
    for mark, after in pairwise(marks[1:]):
        before = slots[-1]
        gap_s = after.on_s - before.off_s
        stands_alone = (
            mark.bit is None
            and max(mark.length_s, mark.on_s - before.off_s, after.on_s - mark.off_s) < shortest_s
            and min(before.length_s, after.length_s) >= shortest_s
            and shortest_s <= gap_s <= LONGEST_GAP_S
        )
        if stands_alone:
            faults.append(_pulse(mark, marks[0].on_s))
        else:
            slots.append(mark)
    return [*slots, marks[-1]]


def _pulse(mark: Mark, origin_s: float) -> Fault:
    at = in_ms(mark.on_s - origin_s)
    return Fault("pulse", f"a pulse of {in_ms(mark.length_s)} at {at}")


def _shortest_slot_s(lengths_s: Sequence[float], timing_error_s: float) -> float:
    """What is shorter is no slot; less where slow edges make all single slots short alike."""
    shortest_s = SHORTEST_S - timing_error_s
    singles = [length_s for length_s in lengths_s if length_s < DOUBLE_S]
    if len(singles) < FEWEST_SINGLES:
        return shortest_s
    return min(shortest_s, SHORT_SHARE * median(singles))


@dataclass(slots=True)
class Bits:
    """Bits as they are read, None where one was lost, with how clearly each was decided."""

    values: list[int | None] = field(default_factory=list)
    margins: list[float] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def add(self, bit: int, margin: float) -> None:
        """Append a bit."""
        self.values.append(bit)
        self.margins.append(margin)

    def lose(self, count: int) -> None:
        """Append bits that could not be read."""
        self.values += [None] * count
        self.margins += [0.0] * count


def read_bits(marks: Sequence[Mark], timing_error_s: float) -> Bits:
    """The bits of marks that `join_marks` gave, and what is wrong about their slots."""
    bits = Bits()
    origin_s = marks[0].on_s
    for n, mark in enumerate(marks):
        after = marks[n + 1] if n + 1 < len(marks) else None
        where = f"bit {len(bits.values) + 1} at {in_ms(mark.on_s - origin_s)}"
        if mark.length_s > LONGEST_BIT_S and mark.bit is None:
            what = f"{where}: tone for {in_ms(mark.length_s)}, 1.2 ms allowed"
            bits.faults.append(Fault("long_tone", what))
            bits.lose(max(1, round(mark.length_s / std.BIT_S)))
            continue
        gap_s = None if after is None else after.on_s - mark.off_s
        bit = mark.bit if mark.bit is not None else decide_bit(mark.length_s, gap_s)
        bits.add(bit, mark.margin)
        if mark.margin < DOUBT_NATS:
            odds = f"likelihood ratio e**{mark.margin:.1f}"
            bits.faults.append(Fault("unclear", f"{where}: {odds}"))
        error_s = timing_error_s + mark.blur_s
        tone_slots, quiet_slots = (1, 2) if bit else (2, 1)
        bits.faults += _slot_faults(f"{where}: tone", mark.length_s, tone_slots, error_s)
        if after is None or gap_s is None:
            continue
        if gap_s <= LONGEST_GAP_S:
            error_s = max(error_s, timing_error_s + after.blur_s)
            bits.faults += _slot_faults(f"{where}: quiet", gap_s, quiet_slots, error_s)
        else:
            _read_long_gap(bits, where, gap_s, quiet_slots)
    return bits


def decide_bit(tone_s: float, gap_s: float | None) -> int:
    """The bit by its tone and the quiet after it, None for none: a 1 has twice the quiet.

    >>> decide_bit(0.5e-3, 1.0e-3), decide_bit(1.0e-3, 0.5e-3), decide_bit(0.5e-3, None)
    (1, 0, 1)
    """
    if gap_s is None or gap_s > LONGEST_GAP_S:
        return int(tone_s < DOUBLE_S)
    return int(tone_s < gap_s)


def _read_long_gap(bits: Bits, where: str, gap_s: float, quiet_slots: int) -> None:
    """Quiet longer than a bit can have: bits were lost in it, or a sender paused between bytes."""
    lost = round((gap_s - quiet_slots * std.SLOT_S) / std.BIT_S)
    between_bytes = len(bits.values) % std.BITS_PER_BYTE == 0
    if lost and not between_bytes:
        what = f"{where}: quiet for {in_ms(gap_s)}, about {lost} lost"
        bits.faults.append(Fault("missing_bits", what))
        bits.lose(lost)
    else:
        what = f"{where}: quiet for {in_ms(gap_s)}, 1.2 ms allowed"
        bits.faults.append(Fault("slot_timing", what))


def _slot_faults(where: str, length_s: float, slots: int, error_s: float) -> list[Fault]:
    """Tone or quiet of `slots` slots, held against 0.5 +-0.1 ms each, timed to within an error."""
    low_s = slots * (std.SLOT_S - std.SLOT_TOLERANCE_S)
    high_s = slots * (std.SLOT_S + std.SLOT_TOLERANCE_S)
    if low_s - error_s <= length_s <= high_s + error_s:
        return []
    allowed = f"{low_s * 1e3:.1f} to {high_s * 1e3:.1f} ms allowed"
    return [Fault("slot_timing", f"{where} for {in_ms(length_s)}, {allowed}")]
