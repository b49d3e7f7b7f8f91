"""A judged shift of the counts as lines of text, or of JSON."""

from __future__ import annotations

import json as json_text
import textwrap
from collections.abc import Iterator

from sim.lists.correction import WRITABLE
from sim.lists.shift import CauseEstimate
from sim.lists.shift_report import ShiftReport
from sim.station_rig import ends_of
from tui.text_table import WIDTH, Column, table

SHOWN_FROM = 0.01  # probability under which a cause is left out of the table (judgement)
OPEN_FROM = 0.1  # probability from which a cause is named as open (judgement)
BAND_SD = 2.0  # standard deviations of a 95 % band in text, rounded (common practice)
BAND_JSON_SD = 1.96  # standard deviations of a 95 % band of a normal distribution


def text_lines(case: ShiftReport) -> list[str]:
    """The diagnosis as lines of at most 80 columns."""
    diagnosis = case.diagnosis
    lines = wrap(_verdict(case))
    lines += ["", f"{'cause':<31} {'likely':>6} {'amount':>20} {'misfit':>14}"]
    likely = [weight for weight in diagnosis.estimates if weight.probability >= SHOWN_FROM]
    shown = likely or list(diagnosis.estimates[:1])
    for weight in shown:
        lines.append(
            f"{weight.name:<31} {percent(weight.probability):>6} {amount(weight):>20}"
            f" {weight.rms:>7.1f} counts"
        )
    for weight in shown[:3]:
        lines += ["", *_evidence(weight)]
    left_out = [weight.name for weight in diagnosis.estimates if weight not in shown]
    if left_out:
        lines += ["", *wrap(f"Under {SHOWN_FROM:.0%} likely: {', '.join(left_out)}.")]
    lines += ["", *_side_by_side(case), ""]
    notes = [*case.notes, case.correction.advice]
    if diagnosis.next_reading is not None:
        word = "to decide" if diagnosis.cause is None else "would confirm it"
        notes.append(f"{word}: {diagnosis.next_reading.text}")
    notes += [f"before --write: {reason}" for reason in case.correction.missing]
    for note in notes:
        lines += wrap(f"- {note}.")
    return lines


def _verdict(case: ShiftReport) -> str:
    cause = case.diagnosis.cause
    if cause is None:
        best = [n.name for n in case.diagnosis.estimates if n.probability >= OPEN_FROM][:3]
        if len(best) == 1:
            return f"Cannot tell from these readings: {best[0]} is likeliest, and not proved."
        return f"Cannot tell from these readings: {', '.join(best)} are open."
    text = f"{cause.name.capitalize()}: {percent(cause.probability)} likely"
    if cause.unit:
        text += f", {_in_words(cause)}"
    return f"{text}{f'; {cause.detail}' if cause.detail else ''}."


def percent(chance: float) -> str:
    """A probability for a person: never a certainty.

    >>> percent(0.9999), percent(0.973), percent(0.0)
    ('>99%', '97%', '<1%')
    """
    return ">99%" if chance >= 0.995 else "<1%" if chance < 0.005 else f"{chance:.0%}"


def amount(weight: CauseEstimate) -> str:
    """How much of a cause, with the half width of its 95 % band."""
    if not weight.unit:
        return ""
    digits = 0 if weight.unit == "counts" and abs(weight.amount) >= 100 else 1
    return f"{weight.amount:+.{digits}f} ±{BAND_SD * weight.amount_sd:.1f} {weight.unit}"


def _in_words(weight: CauseEstimate) -> str:
    """The amount with its direction spelled out."""
    shown = amount(weight)
    if weight.unit == "deg":
        way = "clockwise" if weight.amount > 0 else "counter-clockwise"
        return f"{shown.lstrip('+-')} {way} seen from above"
    return shown


def _evidence(weight: CauseEstimate) -> list[str]:
    lines = []
    for verdict, word in (("for", "for"), ("against", "against"), ("open", "does not decide")):
        readings = [evidence.text for evidence in weight.evidence if evidence.verdict == verdict]
        if readings:
            lines += wrap(f"{word} {weight.name}: {'; '.join(readings)}.")
    if weight.detail:
        lines += wrap(f"{weight.name}: {weight.detail}.")
    return lines


def _side_by_side(case: ShiftReport) -> list[str]:
    best = case.diagnosis.cause or case.diagnosis.estimates[0]
    title = best.name if case.diagnosis.cause else f"{best.name}?"
    columns = (
        Column("no", 3),
        Column("name", 16, right=False),
        Column("before", 7),
        Column("after", 7),
        Column("peaked again", 13),
        Column(f" {title}", 30, right=False),
    )
    now = case.diagnosis.now
    rows = []
    for row in case.station.position:
        if row.count is None:
            continue
        after = case.correction.after[row.number]
        reading, residual = "", ""
        if row.number in now:
            reading, residual = f"{now[row.number]:.0f}", f" {now[row.number] - after:+.0f} left"
        rows.append([str(row.number), row.name, str(row.count), str(after), reading, residual])
    limits = case.station.limits
    if limits is not None:
        east, west = case.correction.limits or (limits.east, limits.west)
        rows.append(["", "limit east", str(limits.east), str(east), "", ""])
        rows.append(["", "limit west", str(limits.west), str(west), "", ""])
    for side, before in ends_of(case.station).items():
        reading = f"{now[side]:.0f}" if side in now else ""
        rows.append(["", f"{side} end", str(before), str(case.correction.ends[side]), reading, ""])
    return table(columns, rows)


def json_lines(case: ShiftReport) -> Iterator[str]:
    """The diagnosis as JSON: the verdict, then each cause, then each taught position."""
    diagnosis, correction = case.diagnosis, case.correction
    cause = diagnosis.cause
    best = cause or diagnosis.estimates[0]
    head = {
        "kind": "verdict",
        "cause": None if cause is None else cause.name,
        "probability": round(best.probability, 4),
        "amount": round(best.amount, 2) if cause and best.unit else None,
        "unit": best.unit or None if cause else None,
        "also": best.detail or None if cause else None,
        "next": None if diagnosis.next_reading is None else diagnosis.next_reading.text,
        "advice": correction.advice,
        "may_write": cause is not None and cause.name in WRITABLE and not correction.missing,
        "missing": list(correction.missing),
        "notes": list(case.notes),
        "limits": None
        if correction.limits is None
        else dict(zip(("east", "west"), correction.limits, strict=True)),
        "ends": correction.ends,
    }
    yield json_text.dumps(head, ensure_ascii=False)
    for weight in diagnosis.estimates:
        yield json_text.dumps(_cause_object(weight), ensure_ascii=False)
    for row in case.station.position:
        if row.count is None:
            continue
        after = correction.after[row.number] if cause else None
        now = diagnosis.now.get(row.number)
        line = {
            "kind": "position",
            "number": row.number,
            "name": row.name,
            "longitude_deg": row.longitude_deg,
            "before": row.count,
            "after": after,
            "now": None if now is None else round(now),
            "residual": None if now is None or after is None else round(now) - after,
        }
        yield json_text.dumps(line, ensure_ascii=False)


def _cause_object(weight: CauseEstimate) -> dict[str, object]:
    half_band = BAND_JSON_SD * weight.amount_sd
    has_amount = bool(weight.unit)
    return {
        "kind": "cause",
        "cause": weight.name,
        "probability": round(weight.probability, 4),
        "amount": round(weight.amount, 2) if has_amount else None,
        "low": round(weight.amount - half_band, 2) if has_amount else None,
        "high": round(weight.amount + half_band, 2) if has_amount else None,
        "unit": weight.unit or None,
        "rms_counts": round(weight.rms, 2),
        "for": [evidence.text for evidence in weight.evidence if evidence.verdict == "for"],
        "against": [evidence.text for evidence in weight.evidence if evidence.verdict == "against"],
    }


def wrap(text: str) -> list[str]:
    """A sentence as lines of at most 80 columns."""
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ")
