"""The log as a text file: a line each, tabulators between, written and read back.

    time                 kind   bytes         meaning                                count
    2026-05-04T21:03:07  sent   E0 31 6A 07   Store this place as position 7 (...).  480

`count` is the last count seen when the line was written; it is empty where none is counted.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterable
from dataclasses import dataclass

from bridge.errors import BadInput
from bridge.helm.snapshot import LogLine

COLUMNS = ("time", "kind", "bytes", "meaning", "count")
HEAD = "\t".join(COLUMNS)
_WITHOUT_COUNT = "\t".join(COLUMNS[:-1])  # as it was written before counts were kept


@dataclass(frozen=True, slots=True)
class Kept:
    """One line of a saved log; `row` is its line in the file, from 1."""

    row: int
    time: str
    kind: str
    hex: str
    meaning: str
    count: int | None


def write_log(lines: Iterable[LogLine]) -> str:
    """The log as text, times in local time of day."""
    rows = [
        "\t".join(
            (
                _clock(line.t_s),
                line.kind,
                line.hex,
                " ".join(line.meaning.split()),
                "" if line.count is None else str(line.count),
            )
        )
        for line in lines
    ]
    return "\n".join([HEAD, *rows]) + "\n"


def _clock(t_s: float) -> str:
    wall_s = time.time() - time.monotonic() + t_s
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.localtime(wall_s))


def is_log(text: str) -> bool:
    """Whether a text begins as a saved log does."""
    return text.lstrip("\ufeff").startswith(_WITHOUT_COUNT)


def read_log(text: str, where: str) -> list[Kept]:
    """The lines of a saved log. Raises BadInput with the first line that is none."""
    kept = []
    for row, line in enumerate(text.lstrip("\ufeff").splitlines(), 1):
        if not line.strip() or line in (HEAD, _WITHOUT_COUNT):
            continue
        cells = line.split("\t")
        if len(cells) == len(COLUMNS) - 1:
            cells.append("")
        if len(cells) != len(COLUMNS):
            raise BadInput(
                f"{where}:{row}: holds {len(cells)} cells, a line of a log has {len(COLUMNS)}"
                f" ({', '.join(COLUMNS)}), tabulators between; save the log again"
            )
        count = cells[4].strip()
        if count and not re.fullmatch(r"[+-]?\d+", count):
            raise BadInput(f"{where}:{row}: count: {count} is not a whole number; correct it")
        kept.append(
            Kept(row, cells[0], cells[1], cells[2], cells[3], int(count) if count else None)
        )
    return kept
