"""`arcstep positions export` and `import`: the list as CSV, for a spreadsheet and back."""

from __future__ import annotations

import codecs
import sys
from json import dumps
from pathlib import Path

from bridge.station.cell import Cell, Decimal
from bridge.station.csv_merge import Merge, merge
from bridge.station.csv_sheet import read_sheet, write_sheet
from bridge.station.document import StationFile
from bridge.station.model import load_station
from bridge.textfile.read import read_bytes
from bridge.textfile.save import save_whole


def export(station: Path, *, out: Path | None = None, decimal: Decimal = "point") -> int:
    """Write the list as CSV to a file that is not there yet, or to standard output."""
    text = write_sheet(load_station(station).position, decimal)
    if out is None:
        # CSV ends its lines with CRLF; the text layer of standard output would change them
        sys.stdout.buffer.write(text.encode("utf-8"))
        sys.stdout.buffer.flush()
        return 0
    save_whole(out, codecs.BOM_UTF8 + text.encode("utf-8"), expected=None)
    print(f"arcstep: list written to {out}", file=sys.stderr)
    return 0


def import_sheet(
    sheet: Path, station: Path, *, replace: bool = False, dry_run: bool = False
) -> int:
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
    backup = file.save()
    if backup is None:
        print(f"arcstep: {station} holds all of it already", file=sys.stderr)
    else:
        print(f"arcstep: {station} saved; the former file is kept as {backup}", file=sys.stderr)
    return 0


def _merge_lines(done: Merge) -> list[str]:
    lines = [f"{c.number}: {c.key}: {_cell(c.old)} -> {_cell(c.new)}" for c in done.changed]
    lines += [f"{number}: added" for number in done.added]
    lines += [f"{number}: removed" for number in done.removed]
    if done.absent:
        rows = ", ".join(map(str, done.absent))
        lines.append(f"not in the sheet and kept: {rows}; --replace removes them")
    return lines


def _cell(value: Cell) -> str:
    """A value on one line; text between quotes."""
    if value is None or value == "":
        return "none"
    return dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)
