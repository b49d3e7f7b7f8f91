"""`arcstep positions shift`: what happened to the counts, and the list put right once proved."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from pathlib import Path

from bridge.errors import BadInput
from bridge.station.document import StationFile
from bridge.station.model import Station
from bridge.textfile.checked import parse_checked
from bridge.textfile.read import read_bytes
from bridge.textfile.save import backup_of, save_whole
from sim.lists.causes import NOTHING, TWISTED, WRONG
from sim.lists.compare import compare
from sim.lists.correction import WRITABLE
from sim.lists.shift_report import EndReading, ShiftReport, report_shift
from tui.commands.shift_view import json_lines, text_lines, wrap

NOT_WRITTEN = {
    NOTHING: "nothing is wrong with the counts",
    WRONG: "the list is right, a re-peak was taken on the wrong satellite",
    TWISTED: "a twisted pole is put right at the pole, not by other counts",
}

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
    repeaked, ends = parse_readings(readings)
    file = StationFile(station)
    case = report_shift(file.station, repeaked, ends)
    print("\n".join(json_lines(case) if json else text_lines(case)))
    if not write:
        return 0 if case.diagnosis.cause else 1
    return _write(file, case, json=json)


def parse_readings(words: Sequence[str]) -> tuple[dict[int, int], dict[str, EndReading]]:
    """Satellites peaked again (NUMBER=COUNT) and ends (east=NOW or east=BEFORE:NOW). BadInput.

    >>> parse_readings(["7=490", "east=0:10"])
    ({7: 490}, {'east': EndReading(before=0, now=10)})
    """
    repeaked: dict[int, int] = {}
    ends: dict[str, EndReading] = {}
    for word in words:
        found = _READING.fullmatch(word.strip())
        if found is None:
            raise BadInput(
                f"{word!r} is no reading: write NUMBER=COUNT for a satellite peaked again, or"
                " east=BEFORE:NOW or west=BEFORE:NOW for an end"
            )
        key, first, second = found[1].lower(), int(found[2]), found[3]
        if key in ends or (key.isdigit() and int(key) in repeaked):
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
            repeaked[int(key)] = first
    return repeaked, ends


def _write(file: StationFile, case: ShiftReport, *, json: bool) -> int:
    """Rewrite counts and limits where the cause is proved; refuse with the reasons otherwise."""
    say = _print_to_stderr if json else print
    cause, correction = case.diagnosis.cause, case.correction
    if cause is None or cause.name not in WRITABLE or correction.missing:
        reason = "; ".join(correction.missing)
        if cause is None:
            reason = "the readings do not tell what happened"
        elif cause.name not in WRITABLE:
            reason = NOT_WRITTEN[cause.name]
        for line in wrap(f"Nothing was written: {reason}."):
            say(line)
        return 1
    changes: dict[tuple[str | int, ...], int | float | str | None] = {}
    for index, row in enumerate(case.station.position):
        if row.count is not None:
            changes["position", index, "count"] = correction.after[row.number]
    if correction.limits is not None:
        changes["limits", "east"], changes["limits", "west"] = correction.limits
    for side, count in correction.ends.items():
        changes["ends", side] = count
    file.edit(changes)
    if problems := file.problems():
        raise BadInput(
            "nothing was written, because the list would no longer fit the mount (line"
            f" {problems[0]}); instead of the list put the counter right, at an end, to what it"
            " read there before"
        )
    backup = file.save()
    if backup is None:
        say("Nothing was written: the counts stay as they are.")
        return 0
    report = [f"Written; the former list is kept in {backup.name}. Take it back with --undo."]
    if new := [s for s in ("east", "west") if s in case.diagnosis.now and s not in correction.ends]:
        read = ", ".join(f"{side} = {case.diagnosis.now[side]:.0f}" for side in new)
        report.append(f"Put {read} under [ends] in the file: the next time it is known before.")
    for line in report:
        for part in wrap(line):
            say(part)
    return 0


def _undo(path: Path, readings: Sequence[str], *, write: bool) -> int:
    """Put back what the last shift replaced; a second undo brings the shift back."""
    if readings or write:
        raise BadInput("--undo takes no readings and no --write; it puts the former counts back")
    backup = backup_of(path)
    if not backup.exists():
        raise BadInput(f"{backup}: no such file, so there is nothing to undo")
    current, former = read_bytes(path), read_bytes(backup)
    if _without_counts(current, path) != _without_counts(former, backup):
        raise BadInput(
            f"{path} differs from {backup.name} by more than counts, limits and ends, so the last"
            " save was not a shift; nothing was changed, compare the two files by hand"
        )
    save_whole(path, former, expected=current)
    findings = compare(_station(current, path), _station(former, backup))
    for finding in findings:
        if finding.number is None:
            print(finding.sentence)
    rows = sum(finding.number is not None for finding in findings)
    report = f"{rows} counts are as they were before; what the file held is in {backup.name} now."
    print("\n".join(wrap(report)))
    return 0


def _without_counts(content: bytes, path: Path) -> Station:
    """A station without its counts, limits and ends, to compare the rest of two files."""
    station = _station(content, path)
    bare = tuple(row.model_copy(update={"count": None}) for row in station.position)
    return station.model_copy(update={"position": bare, "limits": None, "ends": None})


def _station(content: bytes, path: Path) -> Station:
    return parse_checked(content.decode("utf-8-sig"), str(path), Station)


def _print_to_stderr(line: str) -> None:
    print(line, file=sys.stderr)
