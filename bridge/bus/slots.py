"""Stretches of tone -> bits, with what is wrong about their slots, carrier and level."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

from bridge.bus import standard as std
from bridge.bus.event import Fault
from bridge.bus.mark import Mark, in_ms

SHORTEST_S = 0.38e-3  # s, shorter tone or quiet is a stray pulse or a notch; slots are 0.4 at least
SHORT_SHARE = 0.72  # of the usual single slot of a message, where that is shorter still
FEWEST_SINGLES = 4  # single slots that tell what is usual
LONGEST_BIT_S = 1.4e-3  # s of tone: 1.2 allowed for a 0, and room to measure
LONGEST_GAP_S = 1.4e-3  # s of quiet: 1.2 allowed after a 1, and room to measure
UNEVEN = 2.6  # times the median deviation; evenly spread slots reach twice the median
FEWEST_SPANS = 12  # of tone and quiet that tell what is usual in a message
DOUBT_NATS = 3.0  # bits decided with a likelihood ratio below e**3 are called unclear


def middle_of(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None


def join_marks(marks: Iterable[Mark], faults: list[Fault], grain_s: float = 0.0) -> Iterator[Mark]:
    """Close notches and drop stray pulses, telling of each in `faults`."""
    marks = list(marks)
    origin_s = marks[0].on_s
    marks = _without_pulses(marks, faults, grain_s)
    holes = [after.on_s - before.off_s for before, after in pairwise(marks)]
    least_hole_s = _least_slot(holes, grain_s)
    joined = [marks[0]]
    for mark in marks[1:]:
        last = joined[-1]
        hole_s = mark.on_s - last.off_s
        if hole_s < least_hole_s:
            at = in_ms(last.off_s - origin_s)
            faults.append(Fault("notch", f"no tone for {in_ms(hole_s)} at {at} inside a tone"))
            bit = last.bit if last.bit is not None else mark.bit
            joined[-1] = replace(
                last, off_s=mark.off_s, bit=bit, margin=min(last.margin, mark.margin)
            )
        else:
            joined.append(mark)
    least_tone_s = _least_slot([mark.length_s for mark in joined], grain_s)
    for mark in joined:
        if mark.length_s >= least_tone_s or mark.bit is not None:
            yield mark
        else:
            at = in_ms(mark.on_s - origin_s)
            faults.append(Fault("pulse", f"a pulse of {in_ms(mark.length_s)} at {at}"))


def _without_pulses(marks: list[Mark], faults: list[Fault], grain_s: float) -> list[Mark]:
    """Marks without those too short for a slot between whole slots of tone and of quiet."""
    least_s = SHORTEST_S - grain_s
    kept = marks[:1]
    for mark, after in pairwise(marks[1:]):
        before = kept[-1]
        stands_alone = (
            mark.bit is None
            and max(mark.length_s, mark.on_s - before.off_s, after.on_s - mark.off_s) < least_s
            and min(before.length_s, after.length_s) >= least_s
            and least_s <= after.on_s - before.off_s <= LONGEST_GAP_S
        )
        if stands_alone:
            at = in_ms(mark.on_s - marks[0].on_s)
            faults.append(Fault("pulse", f"a pulse of {in_ms(mark.length_s)} at {at}"))
        else:
            kept.append(mark)
    return kept + marks[len(marks) - 1 :] if len(marks) > 1 else kept


def _least_slot(lengths_s: Sequence[float], grain_s: float) -> float:
    """What is no slot but a flaw; less where slow edges make all single slots short alike."""
    singles = [length_s for length_s in lengths_s if length_s < 1.4 * std.SLOT_S]
    if len(singles) < FEWEST_SINGLES:
        return SHORTEST_S - grain_s
    return min(SHORTEST_S - grain_s, SHORT_SHARE * median(singles))


def read_bits(
    marks: Sequence[Mark], faults: list[Fault], grain_s: float
) -> tuple[list[int | None], list[float]]:
    """Bits of marks and how clearly each was decided; timing faults go to `faults`."""
    bits: list[int | None] = []
    margins: list[float] = []
    origin_s = marks[0].on_s
    for n, mark in enumerate(marks):
        gap_s = marks[n + 1].on_s - mark.off_s if n + 1 < len(marks) else None
        own_s = grain_s + mark.blur_s
        gap_grain_s = own_s if gap_s is None else max(own_s, grain_s + marks[n + 1].blur_s)
        at = (len(bits) + 1, mark.on_s - origin_s)
        if mark.length_s > LONGEST_BIT_S and mark.bit is None:
            lost = max(1, round(mark.length_s / std.BIT_S))
            faults.append(
                Fault("long_tone", f"{_bit(at)}: tone for {in_ms(mark.length_s)}, 1.2 ms allowed")
            )
            bits += [None] * lost
            margins += [0.0] * lost
            continue
        bit = mark.bit if mark.bit is not None else _decide(mark.length_s, gap_s)
        bits.append(bit)
        margins.append(mark.margin)
        if mark.margin < DOUBT_NATS:
            faults.append(Fault("unclear", f"{_bit(at)}: likelihood ratio e**{mark.margin:.1f}"))
        _check_slots("tone", mark.length_s, 1 if bit else 2, at=at, faults=faults, grain_s=own_s)
        if gap_s is None:
            continue
        quiet_slots = 2 if bit else 1
        if gap_s <= LONGEST_GAP_S:
            _check_slots("quiet", gap_s, quiet_slots, at=at, faults=faults, grain_s=gap_grain_s)
            continue
        extra_s = gap_s - quiet_slots * std.SLOT_S
        lost = round(extra_s / std.BIT_S)
        between = len(bits) % std.BITS_PER_BYTE == 0
        if lost and not between:
            faults.append(
                Fault("missing_bits", f"{_bit(at)}: quiet for {in_ms(gap_s)}, about {lost} lost")
            )
            bits += [None] * lost
            margins += [0.0] * lost
        else:
            faults.append(
                Fault("slot_timing", f"{_bit(at)}: quiet for {in_ms(gap_s)}, 1.2 ms allowed")
            )
    return bits, margins


def _bit(at: tuple[int, float]) -> str:
    return f"bit {at[0]} at {in_ms(at[1])}"


def check_evenness(marks: Sequence[Mark], faults: list[Fault], grain_s: float) -> None:
    """Tell of tone or quiet that stands out from the slots of its own message.

    A sender keeps its slots nearly alike; one that is off, though allowed, was touched on the way.
    """
    spans: list[tuple[float, str, float]] = []
    for n, mark in enumerate(marks):
        spans.append((mark.length_s, "tone", mark.on_s))
        if n + 1 < len(marks):
            spans.append((marks[n + 1].on_s - mark.off_s, "quiet", mark.off_s))
    spans = [span for span in spans if span[0] <= LONGEST_GAP_S]
    if len(spans) < FEWEST_SPANS:
        return
    singles = [span[0] for span in spans if span[0] < 1.4 * std.SLOT_S]
    doubles = [span[0] / 2 for span in spans if span[0] >= 1.4 * std.SLOT_S]
    slot_s = median(singles + doubles)
    grain_s += max(0.0, *(mark.blur_s for mark in marks))
    usual_s = median([abs(length - slot_s) for length in singles + doubles])
    for length_s, what, at_s in spans:
        slots = 1 if length_s < 1.4 * std.SLOT_S else 2
        if abs(length_s - slots * slot_s) > slots * UNEVEN * usual_s + 2 * grain_s:
            at = f"{in_ms(at_s - marks[0].on_s)}: {what} for {in_ms(length_s)}"
            usual = f"{slot_s * 1e3:.3f} +-{2 * usual_s * 1e3:.3f} ms a slot elsewhere in it"
            faults.append(Fault("uneven_slots", f"at {at}, {usual}"))


def _decide(tone_s: float, gap_s: float | None) -> int:
    """Weigh the tone against the quiet after it: a 0 has twice the tone, a 1 twice the quiet."""
    if gap_s is None or gap_s > LONGEST_GAP_S:
        return int(tone_s < 1.4 * std.SLOT_S)
    return int(tone_s < gap_s)


def _check_slots(
    what: str,
    length_s: float,
    slots: int,
    *,
    at: tuple[int, float],
    faults: list[Fault],
    grain_s: float,
) -> None:
    low_s = slots * (std.SLOT_S - std.SLOT_TOLERANCE_S)
    high_s = slots * (std.SLOT_S + std.SLOT_TOLERANCE_S)
    if not low_s - grain_s <= length_s <= high_s + grain_s:
        allowed = f"{low_s * 1e3:.1f} to {high_s * 1e3:.1f} ms allowed"
        faults.append(Fault("slot_timing", f"{_bit(at)}: {what} for {in_ms(length_s)}, {allowed}"))
