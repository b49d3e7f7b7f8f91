"""Hex text: frames as people write them down, a line each, with or without times."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from bridge.capture.hexline import (
    DAY_S,
    Columns,
    HexLine,
    LineError,
    find_columns,
    parse_line,
    parse_row,
)
from bridge.capture.source import Source
from bridge.capture.trace import Capture, Lines
from bridge.errors import CaptureError

LOOK_LINES = 200  # lines looked at before a text is taken for hex text or refused
MIDNIGHT_S = DAY_S / 2  # a clock that falls back by more than this has passed midnight


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
    """Tell whether the first lines hold frames, or a header that names a hex column."""
    frames = other = 0
    lines = source.head.decode("utf-8", "replace").splitlines()[:LOOK_LINES]
    for line in lines[:-1] if len(lines) > 1 else lines:
        if not line.strip():
            continue
        if not frames and find_columns(line):
            return True
        try:
            frames += parse_line(line) is not None
        except LineError:
            other += 1
    return frames > other


def _lines(source: Source, block: int) -> Iterator[tuple[float | None, bytes, str]]:
    columns: Columns | None = None
    day_s = last_s = 0.0
    frames = 0
    seen_time = False
    for number, text in enumerate(_split(source, block), start=1):
        where = f"{source.name}:{number}"
        try:
            if columns is not None:
                line = parse_row(text, columns)
            elif frames == 0 and (columns := find_columns(text)) is not None:
                continue
            else:
                line = parse_line(text)
        except LineError as error:
            raise CaptureError(
                f"{where}: {error}; write it as E0 31 68 FF, or begin the line with #"
            ) from None
        if line is None:
            continue
        frames += 1
        time_s = line.time_s
        if time_s is not None:
            if seen_time and line.is_clock and time_s + day_s < last_s - MIDNIGHT_S:
                day_s += DAY_S
            time_s += day_s if line.is_clock else 0.0
            if seen_time and time_s < last_s:
                raise CaptureError(
                    f"{where}: time {time_s:.6f} s is before {last_s:.6f} s;"
                    " sort the lines or remove the times"
                )
            last_s, seen_time = time_s, True
        yield time_s, line.octets, where


def _split(source: Source, block: int) -> Iterator[str]:
    """Give the lines of a text; one that is longer than a block is refused."""
    rest = b""
    number = 0
    for octets in source.blocks(block):
        *whole, rest = (rest + octets).replace(b"\r\n", b"\n").split(b"\n")
        for line in whole:
            number += 1
            yield line.decode("utf-8", "replace")
        if len(rest) > max(block, 1 << 16):
            raise CaptureError(
                f"{source.name}:{number + 1}: a line of more than {len(rest):,} octets;"
                " write one frame a line"
            )
    if rest:
        yield rest.decode("utf-8", "replace")


__all__ = ["HexLine", "looks_like_hextext", "read_hextext"]
