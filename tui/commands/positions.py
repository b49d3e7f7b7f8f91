"""`arcstep positions check`, `diff`, `import`, `export`: the list, its mistakes, a spreadsheet."""

from __future__ import annotations

import codecs
import sys
from collections.abc import Mapping, Sequence
from json import dumps
from pathlib import Path

from bridge.datafile import read_text
from bridge.merge import Merge, merge
from bridge.sheet import Decimal, read_sheet, write_sheet
from bridge.station import load_station
from bridge.stationfile import StationFile
from bridge.wholefile import read_bytes, save_whole
from sim.plan.check import Finding, check_text
from sim.plan.compare import compare


def _tell(findings: Sequence[Finding], json: bool, names: Mapping[int, str], grades: bool) -> None:
    """One finding a line, whole: a line that is cut tells nobody what to do."""
    for finding in findings:
        if json:
            said: dict[str, object] = {
                "number": finding.number,
                "code": finding.code,
                "detail": finding.detail,
            }
            print(dumps(said, ensure_ascii=False))
            continue
        number = finding.number
        who = "list" if number is None else f"{number} {names.get(number, '')}".rstrip()
        grade = ("error  " if finding.grave else "note   ") if grades else ""
        print(f"{grade}{who}: {finding.code}: {finding.detail}")


def check(station: Path, *, json: bool = False) -> int:
    """Say what is wrong or odd in a list; 1 where something is wrong, 0 otherwise."""
    done = check_text(read_text(station), str(station))
    _tell(done.findings, json, done.names, grades=True)
    grave = sum(finding.grave for finding in done.findings)
    if not json:
        notes = len(done.findings) - grave
        print(f"{_many(done.rows, 'position')}: {_many(grave, 'error')}, {_many(notes, 'note')}")
    return 1 if grave else 0


def diff(before: Path, after: Path, *, json: bool = False) -> int:
    """Say what differs between two station files; 1 where something does, 0 otherwise."""
    old, new = load_station(before), load_station(after)
    findings = compare(old, new)
    names = {row.number: row.name for row in (*old.position, *new.position)}
    _tell(findings, json, names, grades=False)
    if not json and not findings:
        print("no difference")
    return 1 if findings else 0


def export(station: Path, *, out: Path | None = None, decimal: Decimal = "point") -> int:
    """Write the list as CSV to a file that is not there yet, or to standard output."""
    text = write_sheet(load_station(station).position, decimal)
    if out is None:
        # the lines of CSV end CRLF, and standard output would make its own of them
        sys.stdout.buffer.write(text.encode("utf-8"))
        sys.stdout.buffer.flush()
        return 0
    save_whole(out, codecs.BOM_UTF8 + text.encode("utf-8"), expected=None)
    print(f"arcstep: list written to {out}", file=sys.stderr)
    return 0


def take_in(sheet: Path, station: Path, *, replace: bool = False, dry_run: bool = False) -> int:
    """Put the rows of a CSV file into a station file; all of it, or nothing and the reasons."""
    content = sys.stdin.buffer.read() if str(sheet) == "-" else read_bytes(sheet)
    file = StationFile(station)
    done = merge(file, read_sheet(content, str(sheet)), replace=replace)
    file.check()
    for line in _merge_lines(done):
        print(line)
    if dry_run:
        print("arcstep: nothing was written", file=sys.stderr)
        return 0
    kept = file.save()
    if kept is None:
        print(f"arcstep: {station} holds all of it already", file=sys.stderr)
    else:
        print(f"arcstep: {station} saved; before this it was {kept}", file=sys.stderr)
    return 0


def _merge_lines(done: Merge) -> list[str]:
    lines = [
        f"{number}: {key}: {'none' if old is None else old} -> {'none' if new is None else new}"
        for number, key, old, new in done.changed
    ]
    lines += [f"{number}: added" for number in done.added]
    lines += [f"{number}: removed" for number in done.removed]
    if done.left:
        rows = ", ".join(map(str, done.left))
        lines.append(f"not in the sheet and kept: {rows}; --replace removes them")
    return lines


def _many(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
