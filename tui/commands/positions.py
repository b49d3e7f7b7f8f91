"""`arcstep positions check`, `diff`, `import`, `export`: the list, its mistakes, a spreadsheet."""

from __future__ import annotations

import codecs
import re
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from json import dumps
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.errors import BadInput
from bridge.station.document import StationFile
from bridge.station.model import Station, load_station
from bridge.station.sheet import Cell, Decimal, read_sheet, write_sheet
from bridge.station.sheet_merge import Merge, merge
from bridge.textfile.read import read_bytes, read_text
from bridge.textfile.save import save_whole
from sim.lists.check import Finding, check_text
from sim.lists.compare import compare
from tui.text_table import WIDTH

if TYPE_CHECKING:
    from bridge.log.actions import Log

_STATION = re.compile(r"^\ufeff?\s*(\[\s*station\s*\]|station\s*[.=])", re.MULTILINE)
LOOK_BYTES = 4096  # bytes from which a log's kind is told
_WHY = {  # notes that many positions share, told on one line
    "not proved": "neither stored nor arrived at in the log with a count seen",
    "no count": "store was sent, and the log holds no counts, so the file's are not proved by it",
}


def _tell(
    findings: Sequence[Finding],
    json: bool,
    names: Mapping[int, str],
    grades: bool,
    file: str | None = None,
) -> None:
    """One finding a line, whole: a line that is cut tells nobody what to do."""
    for finding in findings:
        if json:
            line: dict[str, object] = {
                "number": finding.number,
                "code": finding.code,
                "detail": finding.detail,
            }
            if file is not None:
                line |= {"differs": finding.grave, "file": file, "line": finding.line}
            print(dumps(line, ensure_ascii=False))
            continue
        number = finding.number
        name = "" if number is None else names.get(number, "")
        who = "list" if number is None else f"{number} {name}".rstrip()
        grade = ("error  " if finding.grave else "note   ") if grades else ""
        said = finding.detail.removeprefix(f"{finding.code} of {name}: ")
        print(f"{grade}{who}: {finding.code}: {said.removeprefix(f'{finding.code}: ')}")


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
    """Say what differs between two station files, or a file and a log; 1 where something does."""
    log = str(after) == "-" or not _is_station(after)
    if not log and not _is_station(before):
        raise BadInput(
            f"{before} is no station file; write the station first: diff {after} {before}"
        )
    old = load_station(before)
    if log:
        return _diff_log(old, read_acts(after), json)
    new = load_station(after)
    findings = compare(old, new)
    names = {row.number: row.name for row in (*old.position, *new.position)}
    _tell(findings, json, names, grades=False)
    if not json and not findings:
        print("no difference")
    return 1 if findings else 0


def _diff_log(station: Station, log: Log, json: bool) -> int:
    if not log.acts:
        raise BadInput(
            f"{log.where}: holds no command to a positioner, so there is nothing to compare; log or"
            " record while the list is stored"
        )
    from sim.lists.against_log import compare_log  # noqa: PLC0415 - what a log alone needs

    findings = compare_log(station, log)
    names = {row.number: row.name for row in station.position}
    differs = [finding for finding in findings if finding.grave]
    if json:
        _tell(findings, json, names, grades=False, file=log.where)
    else:
        _tell(differs, json, names, grades=False)
        for line in _notes([finding for finding in findings if not finding.grave], names):
            print(textwrap.fill(line, WIDTH, subsequent_indent="  "))
        print(f"{_many(len(differs), 'difference')} between the file and {log.where}")
    return 1 if differs else 0


def read_acts(path: Path) -> Log:
    """What a log says was done: a log saved by the console, `decode --json`, or a capture."""
    from bridge.log.actions import acts_of_events, acts_of_text, is_log_text  # noqa: PLC0415

    if str(path) == "-":
        log = acts_of_text(sys.stdin.read(), "standard input")
        if log is None:
            raise BadInput(
                "standard input: is neither a log of the console nor decode --json; give a capture"
                " by its name"
            )
        return log
    if is_log_text(_head(path)):
        log = acts_of_text(read_bytes(path).decode("utf-8", "replace"), str(path))
        if log is not None:
            return log
    from bridge.capture.open import open_capture  # noqa: PLC0415 - what a capture alone needs
    from bridge.decode.traffic import read_traffic  # noqa: PLC0415

    return acts_of_events(read_traffic(open_capture(str(path))), str(path))


def _is_station(path: Path) -> bool:
    """By its name, or as a kept copy of any name by how it is written."""
    return path.suffix == ".toml" or _STATION.search(_head(path)) is not None


def _head(path: Path) -> str:
    """The beginning of a log, which tells its kind; a capture may be larger than memory."""
    try:
        with path.open("rb") as file:
            return file.read(LOOK_BYTES).decode("utf-8", "replace")
    except FileNotFoundError:
        raise BadInput(f"{path}: no such file; check the name") from None
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror}; check the file") from None


def _notes(notes: Sequence[Finding], names: Mapping[int, str]) -> Iterator[str]:
    """Notes, those of a kind that most positions share on one line."""
    for code, why in _WHY.items():
        alike = [note for note in notes if note.code == code and note.number is not None]
        if len(alike) > 1:
            rows = ", ".join(f"{n.number} {names.get(n.number or 0, '')}".rstrip() for n in alike)
            rows = f"all {len(alike)}" if len(alike) == len(names) else rows
            yield f"note: {code}: {rows}: {why}"
            notes = [note for note in notes if note not in alike]
    for note in notes:
        who = "" if note.number is None else f"{note.number} {names.get(note.number, '')}: "
        yield f"note: {who}{note.code}: {note.detail}"


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
    file.validate()
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
        f"{number}: {key}: {_cell(old)} -> {_cell(new)}" for number, key, old, new in done.changed
    ]
    lines += [f"{number}: added" for number in done.added]
    lines += [f"{number}: removed" for number in done.removed]
    if done.left:
        rows = ", ".join(map(str, done.left))
        lines.append(f"not in the sheet and kept: {rows}; --replace removes them")
    return lines


def _cell(value: Cell) -> str:
    """A value on one line; text between quotes."""
    if value is None or value == "":
        return "none"
    return dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def _many(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
