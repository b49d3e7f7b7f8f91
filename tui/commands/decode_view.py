"""Events of the bus as people and programs read them: a table, JSON lines, CSV."""

from __future__ import annotations

import csv as csv_text
import json as json_text
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge.bus.event import Burst, Event, FrameHeard, Noise, Supply, Tone

if TYPE_CHECKING:
    from rich.console import Console

    from bridge.audit import Finding

CSV_COLUMNS = (
    "file", "t_s", "kind", "hex", "parity_ok", "duration_s", "role", "repeat", "reply_wanted",
    "address", "command", "name", "args", "meaning", "supply_v", "carrier_hz", "of_t_s", "faults",
    "which", "on", "volts", "detail", "code", "severity", "measured", "required", "basis",
    "effect",
)  # fmt: skip
TIME_WIDTH = 11  # letters: seconds to the microsecond (judgement)
HEX_WIDTH = 17  # letters: six bytes in hex (judgement)
WIDTH_LEAST = 40  # columns; in a narrower terminal lines wrap by themselves (judgement)
FAULTS_EACH = 2  # faults of a kind shown of one frame; the others are counted (judgement)


def printer(*, json: bool, csv: bool, many: bool) -> Callable[[str, Event | Finding], None]:
    """What prints each event of a file in the form asked for; `many` files are named in a table."""
    if json:
        return _print_json
    if csv:
        writer = csv_text.DictWriter(sys.stdout, CSV_COLUMNS, lineterminator="\n")
        writer.writeheader()

        def print_row(file: str, event: Event | Finding) -> None:
            row = {key: _cell(key, value) for key, value in event.to_json(file).items()}
            writer.writerow(row)

        return print_row
    return EventTable(many=many).print


def _print_json(file: str, event: Event | Finding) -> None:
    sys.stdout.write(json_text.dumps(event.to_json(file), ensure_ascii=False) + "\n")


def _cell(key: str, value: Any) -> Any:
    """A value of an event's JSON as one cell of CSV."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if key == "parity_ok":
        return " ".join("ok" if right else "bad" for right in value)
    if key == "faults":
        return "; ".join(f"{fault['code']}: {fault['detail']}" for fault in value)
    if key == "args":
        return " ".join(f"{name}={part}" for name, part in value.items())
    return value


class EventTable:
    """Lines for a person: time, bytes, what they say, and below them what is wrong."""

    def __init__(self, *, many: bool) -> None:
        self._many = many
        self._file: str | None = None
        self._console: Console | None = None

    def print(self, file: str, event: Event | Finding) -> None:
        """Print an event or a finding of a file, below its heads where it is the first."""
        if file != self._file:
            self._begin(file)
        at = "" if event.t_s is None else f"{event.t_s:.6f}"
        for n, (left, text, style) in enumerate(_lines_of(event)):
            start = f"{at if n == 0 else '':>{TIME_WIDTH}}  {left:<{HEX_WIDTH}}  "
            self._write(start, text, style)

    def _begin(self, file: str) -> None:
        if self._many:
            name = "standard input" if file == "-" else str(Path(file))
            self._line(("" if self._file is None else "\n") + name, "bold")
        self._file = file
        self._line(f"{'time s':>{TIME_WIDTH}}  {'bytes':<{HEX_WIDTH}}  meaning", "bold")

    def _write(self, start: str, text: str, style: str) -> None:
        room = max(self._width() - len(start), WIDTH_LEAST - 2)
        for n, part in enumerate(_wrap(text, room)):
            self._line((start if n == 0 else " " * len(start)) + part, style)

    def _width(self) -> int:
        if not sys.stdout.isatty():
            return int(os.environ.get("COLUMNS") or 80)
        return self._screen().width

    def _line(self, text: str, style: str) -> None:
        if sys.stdout.isatty():
            self._screen().print(text, style=style or None, markup=False, highlight=False)
        else:
            sys.stdout.write(text.rstrip() + "\n")

    def _screen(self) -> Console:
        if self._console is None:
            from rich.console import Console  # noqa: PLC0415  (only a terminal needs it)

            self._console = Console()
        return self._console


def _wrap(text: str, room: int) -> Iterable[str]:
    from textwrap import wrap  # noqa: PLC0415

    return wrap(text, room) or [""]


_GRADES = {"error": "!! error", "warning": "! warning", "note": "note"}


def _finding_text(finding: Finding) -> str:
    """What was found, what was measured against what by which rule, and what comes of it."""
    text = finding.detail
    if finding.measured and finding.required:
        text += f" ({finding.measured}; required: {finding.required})"
    elif finding.measured:
        text += f" ({finding.measured})"
    return f"{text}: {finding.effect} [{finding.basis}]"


def _lines_of(event: Event | Finding) -> list[tuple[str, str, str]]:
    """(bytes or kind, text, style) for each line of an event."""
    match event:
        case FrameHeard():
            return _lines_of_frame(event)
        case Burst(which=which):
            return [(f"burst {which}", f"tone burst {which}", "cyan")]
        case Tone(on=on):
            return [("tone", f"continuous tone {'on' if on else 'off'}", "cyan")]
        case Supply(volts=volts):
            return [("supply", f"{volts:.1f} V", "cyan")]
        case Noise(duration_s=duration_s, detail=detail):
            return [("unreadable", f"{duration_s * 1e3:.1f} ms: {detail}", "yellow")]
        case finding:
            return [(_GRADES[finding.severity], _finding_text(finding), "yellow")]


def _lines_of_frame(event: FrameHeard) -> list[tuple[str, str, str]]:
    meaning = event.meaning
    data = event.hex or "(no byte)"
    lines = [
        (data[start : start + HEX_WIDTH], meaning.sentence if start == 0 else "", "")
        for start in range(0, len(data), HEX_WIDTH + 1)
    ]
    seen: dict[str, int] = {}
    for fault in event.faults:
        seen[fault.code] = seen.get(fault.code, 0) + 1
        if seen[fault.code] <= FAULTS_EACH:
            lines.append(("", f"! {fault.code.replace('_', ' ')}: {fault.detail}", "yellow"))
    more = [
        f"{count - FAULTS_EACH} more {code.replace('_', ' ')}"
        for code, count in seen.items()
        if count > FAULTS_EACH
    ]
    if more:
        lines.append(("", "! and " + ", ".join(more), "yellow"))
    return lines
