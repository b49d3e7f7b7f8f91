"""`arcstep positions shift`: what happened to the counts, and the list put right once proved."""

from __future__ import annotations

import json as json_text
import re
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

from bridge.errors import BadInput, YardError
from bridge.station.document import StationFile
from bridge.station.model import Station
from bridge.textfile.checked import parse_checked
from bridge.textfile.read import read_bytes
from bridge.textfile.save import backup_of, save_whole
from sim.lists.causes import NOTHING, TWISTED, WRONG
from sim.lists.compare import compare
from sim.lists.correction import WRITABLE, Case, EndReading, examine
from sim.lists.shift import Weight
from sim.station_rig import ends_of
from tui.text_table import WIDTH, Column
from tui.text_table import table as lay_out

NOT_WRITTEN = {
    NOTHING: "nothing is wrong with the counts",
    WRONG: "the list is right, a re-peak was taken on the wrong satellite",
    TWISTED: "a twisted pole is put right at the pole, not by other counts",
}
SHOWN = 0.01  # probability under which a cause is left out of the table

_READING = re.compile(r"(\d+|east|west)=([+-]?\d+)(?::([+-]?\d+))?", re.IGNORECASE)


def run(
    station: Path,
    readings: Sequence[str],
    *,
    json: bool = False,
    write: bool = False,
    undo: bool = False,
) -> int:
    """Judge new readings; 0 a cause was found (and written), 1 cannot tell or not proved."""
    if undo:
        return _undo(station, readings, write=write)
    again, ends = parse_readings(readings)
    file = StationFile(station)
    case = examine(file.station, again, ends)
    if json:
        _print_json(case)
    else:
        print("\n".join(table(case)))
    if not write:
        return 0 if case.judgement.cause else 1
    return _write(file, case, json=json)


def parse_readings(words: Sequence[str]) -> tuple[dict[int, int], dict[str, EndReading]]:
    """Satellites peaked again (NUMBER=COUNT) and ends (east=NOW or east=BEFORE:NOW). BadInput.

    >>> parse_readings(["7=490", "east=0:10"])
    ({7: 490}, {'east': EndReading(before=0, now=10)})
    """
    again: dict[int, int] = {}
    ends: dict[str, EndReading] = {}
    for word in words:
        found = _READING.fullmatch(word.strip())
        if found is None:
            raise BadInput(
                f"{word!r} is no reading: write NUMBER=COUNT for a satellite peaked again, or"
                " east=BEFORE:NOW or west=BEFORE:NOW for an end"
            )
        key, first, second = found[1].lower(), int(found[2]), found[3]
        if key in ends or (key.isdigit() and int(key) in again):
            raise BadInput(f"{key} is given twice; give each satellite and end one reading")
        if not key.isdigit():
            ends[key] = (
                EndReading(None, first) if second is None else EndReading(first, int(second))
            )
        elif second is not None:
            raise BadInput(
                f"{word!r}: what satellite {key} read before is in the station file; write"
                f" {key}={int(second)}"
            )
        else:
            again[int(key)] = first
    return again, ends


def table(case: Case) -> list[str]:
    """The judgement as lines of at most 80 columns."""
    judgement = case.judgement
    lines = _wrap(_verdict(case))
    lines += ["", f"{'cause':<31} {'likely':>6} {'amount':>20} {'misfit':>14}"]
    shown = [n for n in judgement.weights if n.probability >= SHOWN] or list(judgement.weights[:1])
    for weight in shown:
        lines.append(
            f"{weight.name:<31} {percent(weight.probability):>6} {amount(weight):>20}"
            f" {weight.rms:>7.1f} counts"
        )
    for weight in shown[:3]:
        lines += ["", *_evidence(weight)]
    left_out = [weight.name for weight in judgement.weights if weight not in shown]
    if left_out:
        lines += ["", *_wrap(f"Under {SHOWN:.0%} likely: {', '.join(left_out)}.")]
    lines += ["", *_side_by_side(case), ""]
    notes = [*case.notes, case.remedy.advice]
    if judgement.decide is not None:
        word = "to decide" if judgement.cause is None else "would confirm it"
        notes.append(f"{word}: {judgement.decide.text}")
    notes += [f"before --write: {reason}" for reason in case.remedy.missing]
    for note in notes:
        lines += _wrap(f"- {note}.")
    return lines


def _verdict(case: Case) -> str:
    cause = case.judgement.cause
    if cause is None:
        best = [n.name for n in case.judgement.weights if n.probability >= 0.1][:3]
        if len(best) == 1:
            return f"Cannot tell from these readings: {best[0]} is likeliest, and not proved."
        return f"Cannot tell from these readings: {', '.join(best)} are open."
    says = f"{cause.name.capitalize()}: {percent(cause.probability)} likely"
    if cause.unit:
        says += f", {_in_words(cause)}"
    return f"{says}{f'; {cause.also}' if cause.also else ''}."


def percent(chance: float) -> str:
    """A probability for a person: never a certainty.

    >>> percent(0.9999), percent(0.973), percent(0.0)
    ('>99%', '97%', '<1%')
    """
    return ">99%" if chance >= 0.995 else "<1%" if chance < 0.005 else f"{chance:.0%}"


def amount(weight: Weight) -> str:
    """How much of a cause, with the half width of its 95 % band."""
    if not weight.unit:
        return ""
    digits = 0 if weight.unit == "counts" and abs(weight.amount) >= 100 else 1
    return f"{weight.amount:+.{digits}f} ±{2 * weight.amount_sd:.1f} {weight.unit}"


def _in_words(weight: Weight) -> str:
    """The amount with its direction spelled out."""
    told = amount(weight)
    if weight.unit == "deg":
        way = "clockwise" if weight.amount > 0 else "counter-clockwise"
        return f"{told.lstrip('+-')} {way} seen from above"
    return told


def _evidence(weight: Weight) -> list[str]:
    lines = []
    for verdict, word in (("for", "for"), ("against", "against"), ("open", "does not decide")):
        said = [spoken.text for spoken in weight.spoken if spoken.verdict == verdict]
        if said:
            lines += _wrap(f"{word} {weight.name}: {'; '.join(said)}.")
    if weight.also:
        lines += _wrap(f"{weight.name}: {weight.also}.")
    return lines


def _side_by_side(case: Case) -> list[str]:
    best = case.judgement.cause or case.judgement.weights[0]
    title = best.name if case.judgement.cause else f"{best.name}?"
    columns = (
        Column("no", 3),
        Column("name", 16, right=False),
        Column("before", 7),
        Column("after", 7),
        Column("peaked again", 13),
        Column(f" {title}", 30, right=False),
    )
    now = case.judgement.now
    rows = []
    for row in case.station.position:
        if row.count is None:
            continue
        after = case.remedy.after[row.number]
        again, left = "", ""
        if row.number in now:
            again, left = f"{now[row.number]:.0f}", f" {now[row.number] - after:+.0f} left"
        rows.append([str(row.number), row.name, str(row.count), str(after), again, left])
    limits = case.station.limits
    if limits is not None:
        east, west = case.remedy.limits or (limits.east, limits.west)
        rows.append(["", "limit east", str(limits.east), str(east), "", ""])
        rows.append(["", "limit west", str(limits.west), str(west), "", ""])
    for side, before in ends_of(case.station).items():
        again = f"{now[side]:.0f}" if side in now else ""
        rows.append(["", f"{side} end", str(before), str(case.remedy.ends[side]), again, ""])
    return lay_out(columns, rows)


def _print_json(case: Case) -> None:
    judgement, remedy = case.judgement, case.remedy
    cause = judgement.cause
    best = cause or judgement.weights[0]
    head = {
        "kind": "verdict",
        "cause": None if cause is None else cause.name,
        "probability": round(best.probability, 4),
        "amount": round(best.amount, 2) if cause and best.unit else None,
        "unit": best.unit or None if cause else None,
        "also": best.also or None if cause else None,
        "next": None if judgement.decide is None else judgement.decide.text,
        "advice": remedy.advice,
        "may_write": cause is not None and cause.name in WRITABLE and not remedy.missing,
        "missing": list(remedy.missing),
        "notes": list(case.notes),
        "limits": None
        if remedy.limits is None
        else dict(zip(("east", "west"), remedy.limits, strict=True)),
        "ends": remedy.ends,
    }
    print(json_text.dumps(head, ensure_ascii=False))
    for weight in judgement.weights:
        line = {
            "kind": "cause",
            "cause": weight.name,
            "probability": round(weight.probability, 4),
            "amount": round(weight.amount, 2) if weight.unit else None,
            "low": round(weight.amount - 1.96 * weight.amount_sd, 2) if weight.unit else None,
            "high": round(weight.amount + 1.96 * weight.amount_sd, 2) if weight.unit else None,
            "unit": weight.unit or None,
            "rms_counts": round(weight.rms, 2),
            "for": [spoken.text for spoken in weight.spoken if spoken.verdict == "for"],
            "against": [spoken.text for spoken in weight.spoken if spoken.verdict == "against"],
        }
        print(json_text.dumps(line, ensure_ascii=False))
    for row in case.station.position:
        if row.count is None:
            continue
        after = remedy.after[row.number] if cause else None
        now = judgement.now.get(row.number)
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
        print(json_text.dumps(line, ensure_ascii=False))


def _write(file: StationFile, case: Case, *, json: bool) -> int:
    """Rewrite counts and limits where the cause is proved; refuse with the reasons otherwise."""
    say = _to_stderr if json else print
    cause, remedy = case.judgement.cause, case.remedy
    if cause is None or cause.name not in WRITABLE or remedy.missing:
        reason = "; ".join(remedy.missing)
        if cause is None:
            reason = "the readings do not tell what happened"
        elif cause.name not in WRITABLE:
            reason = NOT_WRITTEN[cause.name]
        for line in _wrap(f"Nothing was written: {reason}."):
            say(line)
        return 1
    changes: dict[tuple[str | int, ...], int | float | str | None] = {}
    for index, row in enumerate(case.station.position):
        if row.count is not None:
            changes["position", index, "count"] = remedy.after[row.number]
    if remedy.limits is not None:
        changes["limits", "east"], changes["limits", "west"] = remedy.limits
    for side, count in remedy.ends.items():
        changes["ends", side] = count
    file.edit(changes)
    try:
        kept = file.save()
    except YardError as error:
        first = str(error).splitlines()[0].removeprefix(f"{file.path}:")
        raise BadInput(
            "nothing was written, because the list would no longer fit the mount (line"
            f" {first}); instead of the list put the counter right, at an end, to what it read"
            " there before"
        ) from None
    if kept is None:
        say("Nothing was written: the counts stay as they are.")
        return 0
    told = [f"Written; the former list is kept in {kept.name}. Take it back with --undo."]
    if new := [s for s in ("east", "west") if s in case.judgement.now and s not in remedy.ends]:
        read = ", ".join(f"{side} = {case.judgement.now[side]:.0f}" for side in new)
        told.append(f"Put {read} under [ends] in the file: the next time it is known before.")
    for line in told:
        for part in _wrap(line):
            say(part)
    return 0


def _undo(path: Path, readings: Sequence[str], *, write: bool) -> int:
    """Put back what the last shift replaced; a second undo brings the shift back."""
    if readings or write:
        raise BadInput("--undo takes no readings and no --write; it puts the former counts back")
    kept = backup_of(path)
    if not kept.exists():
        raise BadInput(f"{kept}: no such file, so there is nothing to undo")
    current, former = read_bytes(path), read_bytes(kept)
    if _but_counts(current, path) != _but_counts(former, kept):
        raise BadInput(
            f"{path} differs from {kept.name} by more than counts, limits and ends, so the last"
            " save was not a shift; nothing was changed, compare the two files by hand"
        )
    save_whole(path, former, expected=current)
    was, now = _station(current, path), _station(former, kept)
    found = compare(was, now)
    for finding in found:
        if finding.number is None:
            print(finding.sentence)
    rows = sum(finding.number is not None for finding in found)
    told = f"{rows} counts are as they were before; what the file held is in {kept.name} now."
    print("\n".join(_wrap(told)))
    return 0


def _but_counts(content: bytes, path: Path) -> Station:
    """A station without its counts, limits and ends, to compare the rest of two files."""
    station = _station(content, path)
    bare = tuple(row.model_copy(update={"count": None}) for row in station.position)
    return station.model_copy(update={"position": bare, "limits": None, "ends": None})


def _station(content: bytes, path: Path) -> Station:
    return parse_checked(content.decode("utf-8-sig"), str(path), Station)


def _to_stderr(line: str) -> None:
    print(line, file=sys.stderr)


def _wrap(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ")
