"""What a log says was done to a positioner: from the console's saved log, from `decode --json`
lines, or from a capture itself.

A command on the bus is an act that was sent; whether it was obeyed, only counts can tell.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.command import Drive, Goto, Halt, Limits, SetLimit, Side, Store, command_of
from bridge.bus.event import Event, FrameHeard
from bridge.bus.frame import Frame
from bridge.bus.meaning import positioner_flags
from bridge.bus.standard import PositionerFlag
from bridge.errors import BadInput, FrameError
from bridge.helm.outcome import end_of, recount_of
from bridge.log.file import Kept, is_log, read_log

Did = Literal[
    "store", "goto", "drive", "halt", "limit", "limits on", "limits off", "reset", "recalculate",
    "write counter", "rest", "recount", "end", "restart", "reference lost",
]  # fmt: skip

_RAW: dict[int, Did] = {
    std.RESET: "reset",
    std.SET_POSITIONS: "recalculate",
    std.WRITE_COUNTER: "write counter",
}


@dataclass(frozen=True, slots=True)
class Act:
    """One thing done or seen, in order; `count` is the one seen then, None where none was.

    For "recount", `count` is the old count of the place and `number` the new one.
    """

    did: Did
    at: str  # where in the log, in words: "line 12" or "12.300 s"
    line: int | None = None
    number: int | None = None
    side: Side | None = None
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Log:
    """All acts of a log, and whether it is of a kind that sees counts."""

    where: str
    acts: tuple[Act, ...]
    unread: int = 0  # frames with bytes lost or of wrong parity


def is_log_text(head: str) -> bool:
    """Whether a text begins as a saved log or as `decode --json` lines do."""
    first = head.lstrip("\ufeff \t\r\n").partition("\n")[0]
    return is_log(head) or (first.startswith("{") and '"kind"' in first)


def acts_of_text(text: str, where: str) -> Log | None:
    """The acts of a saved log or of `decode --json` lines; None where a text is neither.

    Raises BadInput with the line that cannot be read.
    """
    if is_log(text):
        return Log(where, tuple(_of_lines(read_log(text, where))))
    return _of_json(text, where) if is_log_text(text) else None


def acts_of_events(events: Iterable[Event], where: str) -> Log:
    """The acts of a capture."""
    acts: list[Act] = []
    unread = 0
    for event in events:
        if not isinstance(event, FrameHeard):
            continue
        at = "without a time" if event.t_s is None else f"at {event.t_s:.3f} s"
        if event.frame is None or not all(event.parity_ok):
            unread += 1
            continue
        acts += _of_frame(event.frame, event.asked, at, None, None)
    return Log(where, tuple(acts), unread)


def _of_lines(lines: Iterable[Kept]) -> Iterator[Act]:
    asked: Frame | None = None
    for line in lines:
        at = f"line {line.row}"
        if line.hex and line.kind in ("sent", "heard", "reply"):
            try:
                frame = Frame.parse(bytes.fromhex(line.hex))
            except (ValueError, FrameError):
                continue  # a stretch of bytes that is no frame was logged as it came
            yield from _of_frame(frame, asked, at, line.row, line.count)
            asked = frame if frame.reply_wanted else None
        elif line.kind == "rest":
            yield Act("rest", at, line.row, count=line.count)
        elif found := recount_of(line.meaning):
            new, old = found
            yield Act("recount", at, line.row, number=new, count=old)
        elif end := end_of(line.meaning):
            yield Act("end", at, line.row, side=end[0], count=end[1])
        elif line.kind == "error" and line.meaning.startswith("The adapter restarted"):
            yield Act("restart", at, line.row, count=line.count)


def _of_json(text: str, where: str) -> Log:
    acts: list[Act] = []
    unread = 0
    asked: Frame | None = None
    for row, line in enumerate(text.lstrip("\ufeff").splitlines(), 1):
        if not line.strip():
            continue
        try:
            told = json.loads(line)
            if told["kind"] != "frame":
                continue
            data, parity, t_s = told["hex"], told.get("parity_ok", []), told.get("t_s")
            whole = "?" not in data and all(parity)
            frame = Frame.parse(bytes.fromhex(data)) if whole else None
            at = f"line {row}" if t_s is None else f"at {float(t_s):.3f} s"
        except (ValueError, TypeError, KeyError, FrameError):
            raise BadInput(
                f"{where}:{row}: is no line of decode --json; make it anew with: arcstep decode"
                " CAPTURE --json"
            ) from None
        if frame is None:
            unread += 1
            continue
        acts += _of_frame(frame, asked, at, row, None)
        asked = frame if frame.reply_wanted else None
    return Log(where, tuple(acts), unread)


def _of_frame(
    frame: Frame, asked: Frame | None, at: str, line: int | None, count: int | None
) -> Iterator[Act]:
    if frame.is_reply:
        flags = positioner_flags(frame, asked)
        if flags is not None and PositionerFlag.LOST in flags:
            yield Act("reference lost", at, line, count=count)
        return
    if frame.address not in addresses.POLAR:
        return
    if frame.command in _RAW:
        yield Act(_RAW[frame.command], at, line, count=count)
        return
    match command_of(frame):
        case Store(number):
            yield Act("store", at, line, number=number, count=count)
        case Goto(number):
            yield Act("goto", at, line, number=number, count=count)
        case SetLimit(side):
            yield Act("limit", at, line, side=side, count=count)
        case Limits(on):
            yield Act("limits on" if on else "limits off", at, line, count=count)
        case Drive(side):
            yield Act("drive", at, line, side=side, count=count)
        case Halt():
            yield Act("halt", at, line, count=count)
