"""`arcstep positions diff`: a list against another list, or against a log of what was stored."""

from __future__ import annotations

import re
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.errors import BadInput
from bridge.station.model import Station, load_station
from bridge.textfile.read import read_bytes
from sim.lists.compare import compare
from sim.lists.finding import ListFinding
from tui.commands.findings import count_of, position_of, print_findings
from tui.text_table import WIDTH

if TYPE_CHECKING:
    from bridge.log.actions import ActionLog

HEAD_BYTES = 4096  # bytes of a file from which its kind is told (judgement)
_STATION_TABLE = re.compile(r"^\ufeff?\s*(\[\s*station\s*\]|station\s*[.=])", re.MULTILINE)
_SHARED_NOTES = {  # codes of notes that many positions share, and their reason
    "not proved": "neither stored nor arrived at in the log with a count seen",
    "no count": "store was sent, and the log holds no counts, so the file's are not proved by it",
}


def run(before: Path, after: Path, *, json: bool = False) -> int:
    """Print what differs between two station files, or a file and a log; 1 where something does."""
    is_log = str(after) == "-" or not _is_station(after)
    if not is_log and not _is_station(before):
        raise BadInput(
            f"{before} is no station file; write the station first: diff {after} {before}"
        )
    old = load_station(before)
    if is_log:
        return _diff_log(old, load_log(after), json)
    new = load_station(after)
    findings = compare(old, new)
    print_findings(findings, json, {row.number: row.name for row in (*old.position, *new.position)})
    if not json and not findings:
        print("no difference")
    return 1 if findings else 0


def _diff_log(station: Station, log: ActionLog, json: bool) -> int:
    if not log.actions:
        raise BadInput(
            f"{log.where}: holds no command to a positioner, so there is nothing to compare; log or"
            " record while the list is stored"
        )
    from sim.lists.against_log import compare_log  # noqa: PLC0415 - only a log needs it

    findings = compare_log(station, log)
    names = {row.number: row.name for row in station.position}
    differs = [finding for finding in findings if finding.grave]
    if json:
        print_findings(findings, json, names, log=log.where)
    else:
        print_findings(differs, json, names)
        for line in _notes([finding for finding in findings if not finding.grave], names):
            print(textwrap.fill(line, WIDTH, subsequent_indent="  "))
        print(f"{count_of(len(differs), 'difference')} between the file and {log.where}")
    return 1 if differs else 0


def load_log(path: Path) -> ActionLog:
    """What was sent and seen, from a log of the console, `decode --json` lines, or a capture."""
    from bridge.log.actions import (  # noqa: PLC0415 - only a log needs it
        actions_of_events,
        actions_of_text,
        is_log_text,
    )

    if str(path) == "-":
        log = actions_of_text(sys.stdin.read(), "standard input")
        if log is None:
            raise BadInput(
                "standard input: is neither a log of the console nor decode --json; give a capture"
                " by its name"
            )
        return log
    if is_log_text(_head(path)):
        log = actions_of_text(read_bytes(path).decode("utf-8", "replace"), str(path))
        if log is not None:
            return log
    from bridge.capture.open import open_capture  # noqa: PLC0415 - only a capture needs it
    from bridge.decode.capture_events import read_traffic  # noqa: PLC0415

    return actions_of_events(read_traffic(open_capture(str(path))), str(path))


def _is_station(path: Path) -> bool:
    """By its suffix, or by a table [station] in a backup of any name."""
    return path.suffix == ".toml" or _STATION_TABLE.search(_head(path)) is not None


def _head(path: Path) -> str:
    """The beginning of a file, which tells its kind; a capture may be larger than memory."""
    try:
        with path.open("rb") as file:
            return file.read(HEAD_BYTES).decode("utf-8", "replace")
    except FileNotFoundError:
        raise BadInput(f"{path}: no such file; check the name") from None
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror}; check the file") from None


def _notes(notes: Sequence[ListFinding], names: Mapping[int, str]) -> Iterator[str]:
    """The lines of notes; those that several positions share stand on one line."""
    for code, reason in _SHARED_NOTES.items():
        alike = [note for note in notes if note.code == code and note.number is not None]
        if len(alike) > 1:
            rows = ", ".join(position_of(note, names) for note in alike)
            rows = f"all {len(alike)}" if len(alike) == len(names) else rows
            yield f"note: {code}: {rows}: {reason}"
            notes = [note for note in notes if note not in alike]
    for note in notes:
        who = "" if note.number is None else f"{note.number} {names.get(note.number, '')}: "
        yield f"note: {who}{note.code}: {note.detail}"
