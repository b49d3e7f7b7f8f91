"""Tables of frames: a header line that names a column of hex text, and its rows.

time (ms),frame,note
59,E0 31 68 FF,drive east
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from bridge.capture.hextext.line import (
    HEX_NAMES,
    HexLine,
    LineError,
    check_length,
    parse_bytes,
    read_time,
)
from bridge.capture.units import TIME_UNITS_S


@dataclass(frozen=True, slots=True)
class Columns:
    """Which columns of a table of frames hold what, from its header line."""

    separator: str
    time: int | None
    hex: int
    kind: int | None
    unit_s: float


def find_columns(text: str) -> Columns | None:
    """Take a line for the header of a table of frames, when it names a hex column."""
    for separator in ("\t", ";", ","):
        fields = [field.strip(" \"'\r\n\ufeff") for field in text.split(separator)]
        if len(fields) < 2:
            continue
        names = [re.sub(r"[\s(\[].*", "", field).casefold() for field in fields]
        hexes = [n for n, name in enumerate(names) if name in HEX_NAMES]
        if not hexes:
            continue
        times = [
            n for n, name in enumerate(names) if name.startswith(("time", "t_")) or name == "t"
        ]
        unit = 1.0
        if times and (
            found := re.search(r"[\s(\[_/]([a-zµμ]+)[)\]]?$", fields[times[0]].casefold())
        ):
            unit = TIME_UNITS_S.get(found[1], 1.0)
        kind = names.index("kind") if "kind" in names else None
        return Columns(separator, times[0] if times else None, hexes[0], kind, unit)
    return None


def parse_row(text: str, columns: Columns) -> HexLine | None:
    """Read a row of a table of frames; None for an empty row or another kind of event."""
    try:
        rows = list(csv.reader([text.strip("\r\n")], delimiter=columns.separator))
    except csv.Error as error:
        raise LineError(f"this is no row of a table ({error})") from None
    fields = [field.strip(" \"'") for field in rows[0]] if rows else []
    if len(fields) <= columns.hex:
        if any(fields):
            raise LineError(f"{len(fields)} columns where the frame is column {columns.hex + 1}")
        return None
    if columns.kind is not None and fields[columns.kind] not in ("", "frame"):
        return None
    if not fields[columns.hex]:
        return None
    data = parse_bytes(fields[columns.hex])
    if data is None:
        raise LineError(f"no frame can be read from {fields[columns.hex][:40]!r}")
    time_s = None
    if columns.time is not None and fields[columns.time]:
        text = fields[columns.time]
        time_s = read_time(
            text if columns.separator == "," else text.replace(",", "."), columns.unit_s
        )
        if time_s is None:
            raise LineError(f"{text[:40]!r} is no time")
    return HexLine(time_s, check_length(data))
