"""The log as a text file: a record each line, tabulators between, written and read back.

    time  kind  bytes  meaning  count  event  side  position  expected  old_count  new_count

`meaning` is the sentence for a person; nothing reads it back. `count` is the last count seen when
the record was written. Every cell from `count` on may be empty, and a line may end before it, as
in files that were saved before these columns were added (`bridge.log.read_old`).
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace

from bridge.bus.command import Side
from bridge.errors import BadInput
from bridge.log.read_old import FIRST_COLUMNS, OLD_HEADS, old_facts
from bridge.log.record import LogEvent, Record
from bridge.log.sentence import sentence

COLUMNS = (
    *FIRST_COLUMNS,
    "count",
    "event",
    "side",
    "position",
    "expected",
    "old_count",
    "new_count",
)
HEAD = "\t".join(COLUMNS)
_SIDES: dict[str, Side] = {"east": "east", "west": "west"}


@dataclass(frozen=True, slots=True)
class LogRow:
    """One line of a saved log; `row` is its line in the file, from 1."""

    row: int
    time: str
    kind: str
    hex: str
    meaning: str
    count: int | None = None
    event: LogEvent | None = None
    side: Side | None = None
    position: int | None = None
    expected: int | None = None
    old_count: int | None = None
    new_count: int | None = None


def write_log(records: Iterable[Record], *, epoch_s: float) -> str:
    """The log as text, times in local time of day.

    `epoch_s` is the time since 1970 at which the records' clock stood at 0.
    """
    return "\n".join([HEAD, *(_line(record, epoch_s) for record in records)]) + "\n"


def _line(record: Record, epoch_s: float) -> str:
    cells = (
        time.strftime("%Y-%m-%dT%H:%M:%S", time.localtime(epoch_s + record.t_s)),
        record.kind,
        record.hex,
        " ".join(sentence(record).split()),
        record.count,
        record.event,
        record.side,
        record.position,
        record.expected,
        record.old_count,
        record.new_count,
    )
    return "\t".join("" if cell is None else str(cell) for cell in cells)


def is_log(text: str) -> bool:
    """Whether a text begins as a saved log does."""
    return text.lstrip("\ufeff").startswith("\t".join(FIRST_COLUMNS))


def read_log(text: str, where: str) -> list[LogRow]:
    """The lines of a saved log, of any age. Raises BadInput with the first line that is none."""
    lines = text.lstrip("\ufeff").splitlines()
    rows = []
    head = HEAD
    for number, line in enumerate(lines, 1):
        if line == HEAD or line in OLD_HEADS:
            head = line
            continue
        if not line.strip():
            continue
        row = _row(number, line.split("\t"), where)
        rows.append(_with_old_facts(row) if head in OLD_HEADS else row)
    return rows


def _row(number: int, cells: list[str], where: str) -> LogRow:
    if not len(FIRST_COLUMNS) <= len(cells) <= len(COLUMNS):
        raise BadInput(
            f"{where}:{number}: holds {len(cells)} cells, a line of a log has {len(FIRST_COLUMNS)}"
            f" to {len(COLUMNS)} ({', '.join(COLUMNS)}), tabulators between; save the log again"
        )
    cell = dict(zip(COLUMNS, cells, strict=False))

    def whole(column: str) -> int | None:
        text = cell.get(column, "").strip()
        if not text:
            return None
        if not re.fullmatch(r"[+-]?\d+", text):
            raise BadInput(f"{where}:{number}: {column}: {text} is not a whole number; correct it")
        return int(text)

    event, side = cell.get("event", ""), cell.get("side", "")
    if event and event not in set(LogEvent):
        raise BadInput(
            f"{where}:{number}: event: {event} is none of {', '.join(LogEvent)}; correct it, or"
            " read the log with the release of arcstep that saved it"
        )
    if side and side not in _SIDES:
        raise BadInput(f"{where}:{number}: side: {side} is neither east nor west; correct it")
    return LogRow(
        number,
        cell["time"],
        cell["kind"],
        cell["bytes"],
        cell["meaning"],
        whole("count"),
        LogEvent(event) if event else None,
        _SIDES.get(side),
        whole("position"),
        whole("expected"),
        whole("old_count"),
        whole("new_count"),
    )


def _with_old_facts(row: LogRow) -> LogRow:
    facts = old_facts(row.kind, row.meaning)
    if facts is None:
        return row
    return replace(
        row,
        event=facts.event,
        side=facts.side,
        count=row.count if facts.count is None else facts.count,
        old_count=facts.old_count,
        new_count=facts.new_count,
    )
