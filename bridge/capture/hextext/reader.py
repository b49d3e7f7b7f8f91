"""Hex text: frames as people write them down, a line each, with or without times."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from math import inf

from bridge.bus.frame import head_of
from bridge.capture.clock import Midnights
from bridge.capture.hextext.columns import Columns, find_columns, parse_row
from bridge.capture.hextext.line import FRAMINGS, LineError, parse_line
from bridge.capture.source import Source
from bridge.capture.trace import Capture, Lines
from bridge.errors import CaptureError

LOOK_LINES = 200  # lines looked at before a text is taken for hex text or refused (judgement)
# s between lines; a frame takes 13.5 ms or more, so faster ones are samples (judgement)
FASTEST_S = 1e-3
LINE_MOST = 1 << 16  # bytes of one line (judgement)


def read_hextext(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read hex text; `rate_hz` means nothing here. CaptureError when no line holds a frame."""
    chunks = partial(_lines, source, block)
    if next(chunks(), None) is None:
        raise CaptureError(
            f"{source.name}: no frame in it; write one frame a line, such as E0 31 68 FF"
        )
    notes = []
    if rate_hz is not None:
        notes.append(f"{source.name}: hex text has no sample rate; --rate is not used")
    return Capture(source.name, (Lines("hex", chunks),), tuple(notes))


def looks_like_hextext(source: Source) -> bool:
    """Tell whether most of the first lines hold frames, most of them with a framing of a bus.

    A table of plain numbers can look like hex as well; its lines begin with other bytes or
    come faster than the 13.5 ms that the shortest frame takes.
    """
    frames = framed = other = 0
    times: list[float] = []
    before: int | None = None
    lines = source.head.decode("utf-8", "replace").splitlines()[:LOOK_LINES]
    for text in lines[:-1] if len(lines) > 1 else lines:
        if not frames and (columns := find_columns(text)) is not None:
            return _has_row(lines[lines.index(text) + 1 :], columns)
        try:
            line = parse_line(text, before)
        except LineError:
            other += 1
            continue
        if line is not None:
            before = line.number
            frames += 1
            framed += head_of(line.data).framing in FRAMINGS
            if line.time_s is not None:
                times.append(line.time_s)
    too_fast = len(times) > 2 and (times[-1] - times[0]) / (len(times) - 1) < FASTEST_S
    return frames > other and 2 * framed > frames and not too_fast


def _has_row(lines: list[str], columns: Columns) -> bool:
    for text in lines:
        with suppress(LineError):
            if parse_row(text, columns) is not None:
                return True
    return False


def _lines(source: Source, block: int) -> Iterator[tuple[float | None, bytes, str]]:
    columns: Columns | None = None
    midnights = Midnights()
    last_s = -inf
    frames = 0
    before: int | None = None
    for number, text in enumerate(_split(source, block), start=1):
        where = f"{source.name}:{number}"
        try:
            if columns is not None:
                line = parse_row(text, columns)
            elif frames == 0 and (columns := find_columns(text)) is not None:
                continue
            else:
                line = parse_line(text, before)
        except LineError as error:
            raise CaptureError(
                f"{where}: {error}; write it as E0 31 68 FF, or begin the line with #"
            ) from None
        if line is None:
            continue
        frames += 1
        before = line.number
        time_s = line.time_s
        if time_s is not None:
            if line.is_clock:
                time_s = midnights.pass_over(time_s)
            if time_s < last_s:
                raise CaptureError(
                    f"{where}: time {time_s:.6f} s is before {last_s:.6f} s;"
                    " sort the lines or remove the times"
                )
            last_s = time_s
        yield time_s, line.data, where


def _split(source: Source, block: int) -> Iterator[str]:
    """Give the lines of a text; one that is longer than a block is refused."""
    rest = b""
    number = 0
    for data in source.blocks(block):
        *whole, rest = (rest + data).replace(b"\r\n", b"\n").split(b"\n")
        for line in whole:
            number += 1
            yield line.decode("utf-8", "replace")
        if len(rest) > max(block, LINE_MOST):
            raise CaptureError(
                f"{source.name}:{number + 1}: a line of more than {len(rest):,} bytes;"
                " write one frame a line"
            )
    if rest:
        yield rest.decode("utf-8", "replace")
