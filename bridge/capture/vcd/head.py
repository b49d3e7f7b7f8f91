"""The declarations of a VCD file: time scale and variables (IEEE 1364, value change dump).

$timescale 1 ns $end
$scope module top $end   $var wire 1 ! tone $end   $upscope $end
$enddefinitions $end
"""

from __future__ import annotations

import re
from codecs import BOM_UTF8
from dataclasses import dataclass, field

from bridge.capture.source import Source
from bridge.capture.units import PER_SECOND
from bridge.errors import CaptureError

HEADER_MOST = 1 << 26  # bytes of declarations; a large chip has a few million (judgement)
READ_BYTES = 1 << 16  # bytes read at a time (judgement)
SKIPPED_TYPES = frozenset({"string", "event", "parameter", "realparameter"})  # carry no line
KEYWORDS = (b"$timescale", b"$var", b"$enddefinitions", b"$scope", b"$date", b"$version",
            b"$comment", b"$dumpvars")  # fmt: skip
_TOKEN = re.compile(rb"\S+")


@dataclass(frozen=True, slots=True)
class Variable:
    """One `$var`: its identifier code, name, width in bits and lowest bit number."""

    code: bytes
    name: str
    path: str  # with its scopes, dotted
    is_real: bool
    width: int
    lowest: int = 0


@dataclass(frozen=True, slots=True)
class Header:
    """What stands before the first value; `ticks_per_s / tick_count` is the time scale."""

    ticks_per_s: int
    tick_count: int
    variables: tuple[Variable, ...]
    body_start: int  # byte offset behind $enddefinitions $end
    body_line: int

    @property
    def tick_s(self) -> float:
        """Seconds a tick."""
        return self.tick_count / self.ticks_per_s


@dataclass(slots=True)
class _Declared:
    """What the sections so far declare."""

    scale: tuple[int, int] | None = None
    scopes: list[str] = field(default_factory=list)
    variables: list[Variable] = field(default_factory=list)


def looks_like_vcd(source: Source) -> bool:
    """Tell whether the text begins with a declaration."""
    return source.head.lstrip(b" \t\r\n\xef\xbb\xbf").startswith(KEYWORDS)


def read_header(source: Source) -> Header:
    """Read the declarations; CaptureError with the byte offset where they break off."""
    declared = _Declared()
    text = b""
    place = len(BOM_UTF8) if source.head.startswith(BOM_UTF8) else 0  # bytes understood
    with source.open() as file:
        while True:
            more = source.read(file, READ_BYTES, whole=False)
            text += more
            place, ended = _read_sections(source, declared, text, place, whole=not more)
            if ended:
                break
            if not more:
                raise CaptureError(
                    f"{source.name}: byte {len(text)}: the file ends within its declarations,"
                    " before $enddefinitions; record or copy it again"
                )
            if len(text) > HEADER_MOST:
                raise CaptureError(
                    f"{source.name}: no $enddefinitions within {HEADER_MOST:,} bytes;"
                    " this is no VCD file"
                )
    if declared.scale is None:
        raise CaptureError(
            f"{source.name}: byte {place}: no $timescale before $enddefinitions; add one, such"
            " as $timescale 1 ns $end"
        )
    if not declared.variables:
        raise CaptureError(
            f"{source.name}: byte {place}: no variable that can carry a signal is declared;"
            " record at least one"
        )
    line = text.count(b"\n", 0, place) + 1
    return Header(*declared.scale, tuple(declared.variables), place, line)


def _read_sections(
    source: Source, declared: _Declared, text: bytes, place: int, *, whole: bool
) -> tuple[int, bool]:
    """Take whole `$keyword ... $end` sections from `place` on."""
    while (start := _TOKEN.search(text, place)) is not None:
        if start[0][:1] != b"$":
            if start.end() == len(text) and not whole:
                return place, False
            raise CaptureError(
                f"{source.name}: byte {start.start()}: {start[0][:20].decode('latin-1')!r} where"
                " a declaration must begin with $; this is no VCD file, or it is damaged"
            )
        close = re.compile(rb"(?<!\S)\$end(?!\S)").search(text, start.end())
        if close is None or (close.end() == len(text) and not whole):
            return place, False
        words = text[start.end() : close.start()].split()
        _take(source, declared, start[0], words, start.start())
        place = close.end()
        if start[0] == b"$enddefinitions":
            return place, True
    return place, False


def _take(source: Source, declared: _Declared, keyword: bytes, words: list[bytes], at: int) -> None:
    if keyword == b"$timescale":
        found = re.fullmatch(rb"(\d{1,9})\s*(s|ms|us|ns|ps|fs)", b"".join(words).lower())
        if found is None or int(found[1]) == 0:
            raise CaptureError(
                f"{source.name}: byte {at}: time scale {b' '.join(words)[:20].decode('latin-1')!r};"
                " allowed are 1, 10 or 100 of s, ms, us, ns, ps or fs"
            )
        declared.scale = (PER_SECOND[found[2].decode()], int(found[1]))
    elif keyword == b"$scope":
        declared.scopes.append(words[-1].decode("utf-8", "replace") if words else "")
    elif keyword == b"$upscope":
        if declared.scopes:
            declared.scopes.pop()
    elif keyword == b"$var":
        if len(words) < 4 or not words[1].isdigit() or len(words[1]) > 9:
            raise CaptureError(
                f"{source.name}: byte {at}: $var {b' '.join(words)[:40].decode('latin-1')} is not"
                " type, width, code and name; record or copy it again"
            )
        kind = words[0].decode("latin-1").lower()
        if kind in SKIPPED_TYPES or int(words[1]) == 0:
            return
        name = words[3].decode("utf-8", "replace")
        bits = re.search(
            r"\[\s*(-?\d{1,9})\s*(?::\s*(-?\d{1,9})\s*)?\]$", b"".join(words[3:]).decode("latin-1")
        )
        width = int(words[1])
        lowest = min(int(bits[1]), int(bits[2] or bits[1])) if bits else 0
        name = re.sub(r"\[[-\d: ]*\]$", "", name) or name
        if bits and width == 1:
            name = f"{name}[{lowest}]"
        path = ".".join([*declared.scopes, name])
        is_real = kind in ("real", "realtime", "shortreal")
        declared.variables.append(
            Variable(words[2], name, path, is_real, 1 if is_real else width, lowest)
        )
