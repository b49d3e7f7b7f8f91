"""`arcstep decode`: bus traffic from captures, as a table, JSON or CSV."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.bus.event import Event, Noise, Supply
from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic
from bridge.decode.channels import choose_channels
from bridge.errors import ArcstepError, CaptureError
from tui.commands.decode_view import printer
from tui.commands.progress import Progress

if TYPE_CHECKING:
    from bridge.audit import Audit, Finding

CODE_BAD = 2  # exit code of a file that cannot be read


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

    A file that cannot be read gets a line on stderr, and the others are read all the same. With
    `audit` each finding follows the event that gave rise to it; an error makes the code 1.
    Raises CaptureError for arguments that make no sense together, and for a single bad file.
    """
    if plot is not None and len(files) != 1:
        raise CaptureError(f"--plot draws one capture, not {len(files)}; name one file")
    if plot is not None and files == ["-"]:
        raise CaptureError("--plot reads the capture twice; save standard input to a file first")
    code = _decode_all(files, json=json, csv=csv, channel=channel, rate_hz=rate_hz, audit=audit)
    if plot is not None and code != CODE_BAD:
        from tui.pictures.frame import draw_frames  # noqa: PLC0415 - only a picture needs it

        draw_frames(open_capture(files[0], rate_hz=rate_hz), plot, channel)
        print(f"arcstep: picture written to {plot}", file=sys.stderr)
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
    show = printer(json=json, csv=csv, many=len(files) > 1)
    worst = 0
    for file in files:
        try:
            code = _decode_one(file, channel, rate_hz, show, _auditor() if audit else None)
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
    show: Callable[[str, Event | Finding], None],
    auditor: Audit | None,
) -> int:
    capture = open_capture(file, rate_hz=rate_hz)
    for note in capture.notes:
        print(note, file=sys.stderr)
    messages = breaches = 0
    progress = Progress(file, capture.progress)
    try:
        channels = choose_channels(capture, channel, progress=progress.show)
        progress.clear()
        if len(capture.traces) > 1:
            print(channels.describe(capture), file=sys.stderr)
        for event in read_traffic(capture, channels=channels, progress=progress.show):
            progress.make_room()
            messages += not isinstance(event, (Supply, Noise))
            show(file, event)
            for finding in auditor.see(event) if auditor else ():
                breaches += finding.severity == "error"
                show(file, finding)
            sys.stdout.flush()
    finally:
        progress.clear()
    for finding in auditor.end() if auditor else ():
        breaches += finding.severity == "error"
        show(file, finding)
    for note in capture.late_notes:
        print(note, file=sys.stderr)
    if not messages:
        sys.stdout.flush()
        names = ", ".join(trace.name for trace in capture.traces)
        print(
            f"{file}: no bus traffic found; channels looked at: {names}; "
            "name another with --channel, or record where the bus is in use",
            file=sys.stderr,
        )
    return 0 if messages and not breaches else 1
