"""`arcstep decode`: bus traffic from captures, as a table, JSON or CSV."""

from __future__ import annotations

import csv as csv_text
import gc
import json as json_text
import os
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge.bus.event import Burst, Event, FrameHeard, Noise, Supply, Tone
from bridge.capture.open import open_capture
from bridge.decode.channels import choose_channels
from bridge.decode.traffic import read_traffic
from bridge.errors import ArcstepError, CaptureError

if TYPE_CHECKING:
    from rich.console import Console

    from bridge.audit import Audit, Finding

CSV_COLUMNS = (
    "file", "t_s", "kind", "hex", "parity_ok", "duration_s", "role", "repeat", "reply_wanted",
    "address", "command", "name", "args", "meaning", "supply_v", "carrier_hz", "of_t_s", "faults",
    "which", "on", "volts", "detail", "code", "severity", "measured", "required", "basis",
    "effect",
)  # fmt: skip
TIME_WIDTH = 11
HEX_WIDTH = 17  # six bytes
WIDTH_FEWEST = 40  # columns under which lines are left to wrap
CLOSED_PIPE = 0
PROGRESS_S = 0.5  # s between two tellings of how far it is
CODE_BAD = 2

# Products of small tables gain nothing from threads, which cost time to start and to wait for.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def decode(
    files: list[str],
    *,
    json: bool = False,
    csv: bool = False,
    channel: str | None = None,
    rate_hz: float | None = None,
    audit: bool = False,
    plot: Path | None = None,
) -> int:
    """Print the traffic of each file; the exit code is the worst of them.

    A file that cannot be read is told of on stderr, and the others are read all the same. With
    `audit` the findings follow what gave rise to them, and one of grade error makes the code 1.
    """
    if plot is not None and len(files) != 1:
        raise CaptureError(f"--plot draws one capture, not {len(files)}; name one file")
    if plot is not None and files == ["-"]:
        raise CaptureError("--plot reads the capture twice; save standard input to a file first")
    try:
        code = _decode_all(files, json=json, csv=csv, channel=channel, rate_hz=rate_hz, audit=audit)
        if plot is not None and code != CODE_BAD:
            from tui.pictures.frame import draw_frames  # noqa: PLC0415 - only a picture needs it

            draw_frames(open_capture(files[0], rate_hz=rate_hz), plot, channel)
            print(f"drawn: {plot}", file=sys.stderr)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CLOSED_PIPE
    return code


def _decode_all(
    files: list[str],
    *,
    json: bool,
    csv: bool,
    channel: str | None,
    rate_hz: float | None,
    audit: bool,
) -> int:
    if not files:
        raise CaptureError("no file to decode; name one or more, or - for standard input")
    if json and csv:
        raise CaptureError("--json and --csv at once; choose one of them")
    out = _printer(json=json, csv=csv, many=len(files) > 1)
    worst = 0
    for file in files:
        try:
            code = _decode_one(file, channel, rate_hz, out, _auditor() if audit else None)
        except ArcstepError as error:
            if len(files) == 1:
                raise
            sys.stdout.flush()
            print(error, file=sys.stderr)
            code = error.exit_code
        worst = max(worst, code)
    sys.stdout.flush()
    return worst


def _auditor() -> Audit:
    from bridge.audit import Audit  # noqa: PLC0415 - only this needs it

    return Audit()


def _decode_one(
    file: str,
    channel: str | None,
    rate_hz: float | None,
    out: Callable[[str, Event | Finding], None],
    auditor: Audit | None,
) -> int:
    capture = open_capture(file, rate_hz=rate_hz)
    for note in capture.notes:
        print(note, file=sys.stderr)
    heard = breaches = 0
    progress = Progress(file, capture.progress)
    try:
        channels = choose_channels(capture, channel, told=progress.tell)
        gc.freeze()  # modules stay to the end: the collector need not walk through them each time
        progress.clear()
        if len(capture.traces) > 1:
            print(channels.describe(capture), file=sys.stderr)
        for event in read_traffic(capture, channels=channels, told=progress.tell):
            progress.make_room()
            heard += not isinstance(event, (Supply, Noise))
            out(file, event)
            for finding in auditor.see(event) if auditor else ():
                breaches += finding.severity == "error"
                out(file, finding)
            sys.stdout.flush()
    finally:
        progress.clear()
    for finding in auditor.end() if auditor else ():
        breaches += finding.severity == "error"
        out(file, finding)
    for note in capture.late_notes:
        print(note, file=sys.stderr)
    if not heard:
        sys.stdout.flush()
        names = ", ".join(trace.name for trace in capture.traces)
        print(
            f"{file}: no bus traffic found; channels looked at: {names}; "
            "name another with --channel, or record where the bus is in use",
            file=sys.stderr,
        )
    return 0 if heard and not breaches else 1


class Progress:
    """How far into the capture it is, on a terminal only."""

    def __init__(self, file: str, share: Callable[[], float]) -> None:
        self._file = file
        self._share = share
        self._last_s = time.monotonic()
        self._shown = False
        self._on = sys.stderr.isatty()
        self._is_between = sys.stdout.isatty()  # events are printed where this stands

    def tell(self, at_s: float) -> None:
        now_s = time.monotonic()
        if self._on and now_s - self._last_s > PROGRESS_S:
            self._last_s, self._shown = now_s, True
            share = "" if self._file == "-" else f", {self._share():.0%}"
            line = f"\r{self._file}: {at_s:,.1f} s{share}\x1b[K"
            print(line, end="", file=sys.stderr, flush=True)

    def make_room(self) -> None:
        """Go out of the way of a line to be printed."""
        if self._is_between:
            self.clear()

    def clear(self) -> None:
        if self._shown:
            self._shown = False
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _printer(*, json: bool, csv: bool, many: bool) -> Callable[[str, Event | Finding], None]:
    if json:
        return _print_json
    if csv:
        writer = csv_text.DictWriter(sys.stdout, CSV_COLUMNS, lineterminator="\n")
        writer.writeheader()

        def print_row(file: str, event: Event | Finding) -> None:
            row = {key: _cell(key, value) for key, value in event.to_json(file).items()}
            writer.writerow(row)

        return print_row
    return Table(many=many).print


def _print_json(file: str, event: Event | Finding) -> None:
    sys.stdout.write(json_text.dumps(event.to_json(file), ensure_ascii=False) + "\n")


def _cell(key: str, value: Any) -> Any:
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


class Table:
    """Lines for a person: time, bytes, what they say, and below them what is wrong."""

    def __init__(self, *, many: bool) -> None:
        self._many = many
        self._file: str | None = None
        self._console: Console | None = None

    def print(self, file: str, event: Event | Finding) -> None:
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
        room = max(self._width() - len(start), WIDTH_FEWEST - 2)
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


def _say_finding(finding: Finding) -> str:
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
            return [(_GRADES[finding.severity], _say_finding(finding), "yellow")]


def _lines_of_frame(event: FrameHeard) -> list[tuple[str, str, str]]:
    meaning = event.meaning
    data = event.hex or "(no byte)"
    lines = [
        (data[start : start + HEX_WIDTH], meaning.sentence if start == 0 else "", "")
        for start in range(0, len(data), HEX_WIDTH + 1)
    ]
    told: dict[str, int] = {}
    for fault in event.faults:
        told[fault.code] = told.get(fault.code, 0) + 1
        if told[fault.code] <= 2:
            lines.append(("", f"! {fault.code.replace('_', ' ')}: {fault.detail}", "yellow"))
    more = [
        f"{count - 2} more {code.replace('_', ' ')}" for code, count in told.items() if count > 2
    ]
    if more:
        lines.append(("", "! and " + ", ".join(more), "yellow"))
    return lines
