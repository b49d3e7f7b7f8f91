"""The actions on a positioner that a log shows: from the console's saved log, from the lines of
`decode --json`, or from a capture.

A command on the bus was sent; only counts can tell whether it was obeyed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from pydantic import BaseModel

from bridge.bus import addresses
from bridge.bus import standard as std
from bridge.bus.command import Drive, Goto, Halt, Limits, SetLimit, Side, Store, command_of
from bridge.bus.event import Event, FrameHeard
from bridge.bus.frame import Frame
from bridge.bus.meaning import positioner_flags
from bridge.bus.standard import PositionerFlag
from bridge.errors import BadInput, FrameError
from bridge.log.read_write import LogRow, is_log, read_log
from bridge.log.record import Kind, LogEvent

ActionKind = Literal[
    "store", "goto", "drive", "halt", "limit", "limits on", "limits off", "reset", "recalculate",
    "write counter", "rest", "recount", "end", "restart", "reference lost",
]  # fmt: skip

_BY_BYTE: dict[int, ActionKind] = {
    std.RESET: "reset",
    std.SET_POSITIONS: "recalculate",
    std.WRITE_COUNTER: "write counter",
}
_FRAME_KINDS = (Kind.SENT, Kind.HEARD, Kind.REPLY)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing done or seen, in order; `count` is the one seen then, None where none was.

    A "recount" gives the place of `count` the count `new_count`. `at` says where in the log, in
    words ("line 12" or "at 12.300 s"), `line` by number where the log has lines.
    """

    kind: ActionKind
    at: str
    line: int | None = None
    number: int | None = None
    side: Side | None = None
    count: int | None = None
    new_count: int | None = None


@dataclass(frozen=True, slots=True)
class ActionLog:
    """All actions of a log; `unreadable` counts frames with bytes lost or of wrong parity."""

    where: str
    actions: tuple[Action, ...]
    unreadable: int = 0


class _Line(BaseModel):
    """Any line of `decode --json`."""

    kind: str


class _FrameLine(_Line):
    """A line of `decode --json` that holds a frame."""

    hex: str
    parity_ok: list[bool] = []
    t_s: float | None = None


def is_log_text(head: str) -> bool:
    """Whether a text begins as a saved log or as `decode --json` lines do."""
    first = head.lstrip("\ufeff \t\r\n").partition("\n")[0]
    return is_log(head) or (first.startswith("{") and '"kind"' in first)


def actions_of_text(text: str, where: str) -> ActionLog | None:
    """The actions of a saved log or of `decode --json` lines; None where a text is neither.

    Raises BadInput with the line that cannot be read.
    """
    if is_log(text):
        return ActionLog(where, tuple(_of_rows(read_log(text, where))))
    return _of_json(text, where) if is_log_text(text) else None


def actions_of_events(events: Iterable[Event], where: str) -> ActionLog:
    """The actions of a capture."""
    actions: list[Action] = []
    unreadable = 0
    for event in events:
        if not isinstance(event, FrameHeard):
            continue
        at = "without a time" if event.t_s is None else f"at {event.t_s:.3f} s"
        if event.frame is None or not all(event.parity_ok):
            unreadable += 1
            continue
        actions += _of_frame(event.frame, event.asked, at, None, None)
    return ActionLog(where, tuple(actions), unreadable)


def _of_rows(rows: Iterable[LogRow]) -> Iterator[Action]:
    asked: Frame | None = None
    for row in rows:
        at = f"line {row.row}"
        if row.hex and row.kind in _FRAME_KINDS:
            try:
                frame = Frame.parse(bytes.fromhex(row.hex))
            except (ValueError, FrameError):
                continue  # a stretch of bytes that is no frame is logged as it came
            yield from _of_frame(frame, asked, at, row.row, row.count)
            asked = frame if frame.reply_wanted else None
        elif row.kind == Kind.REST:
            yield Action("rest", at, row.row, count=row.count)
        elif row.event is LogEvent.RECOUNT:
            yield Action("recount", at, row.row, count=row.old_count, new_count=row.new_count)
        elif row.event is LogEvent.END_SWITCH and row.count is not None:
            yield Action("end", at, row.row, side=row.side, count=row.count)
        elif row.event is LogEvent.RESTART:
            yield Action("restart", at, row.row, count=row.count)


def _of_json(text: str, where: str) -> ActionLog:
    actions: list[Action] = []
    unreadable = 0
    asked: Frame | None = None
    for row, line in enumerate(text.lstrip("\ufeff").splitlines(), 1):
        if not line.strip():
            continue
        try:
            if _Line.model_validate_json(line).kind != "frame":
                continue
            entry = _FrameLine.model_validate_json(line)
            whole = "?" not in entry.hex and all(entry.parity_ok)
            frame = Frame.parse(bytes.fromhex(entry.hex)) if whole else None
        except ValueError:  # no JSON, no such line, no hexadecimal digits, or no frame
            raise BadInput(
                f"{where}:{row}: is no line of decode --json; make it anew with: arcstep decode"
                " CAPTURE --json"
            ) from None
        if frame is None:
            unreadable += 1
            continue
        at = f"line {row}" if entry.t_s is None else f"at {entry.t_s:.3f} s"
        actions += _of_frame(frame, asked, at, row, None)
        asked = frame if frame.reply_wanted else None
    return ActionLog(where, tuple(actions), unreadable)


def _of_frame(
    frame: Frame, asked: Frame | None, at: str, line: int | None, count: int | None
) -> Iterator[Action]:
    if frame.is_reply:
        flags = positioner_flags(frame, asked)
        if flags is not None and PositionerFlag.LOST in flags:
            yield Action("reference lost", at, line, count=count)
        return
    if frame.address not in addresses.POLAR:
        return
    if frame.command in _BY_BYTE:
        yield Action(_BY_BYTE[frame.command], at, line, count=count)
        return
    match command_of(frame):
        case Store(number):
            yield Action("store", at, line, number=number, count=count)
        case Goto(number):
            yield Action("goto", at, line, number=number, count=count)
        case SetLimit(side):
            yield Action("limit", at, line, side=side, count=count)
        case Limits(on):
            yield Action("limits on" if on else "limits off", at, line, count=count)
        case Drive(side):
            yield Action("drive", at, line, side=side, count=count)
        case Halt():
            yield Action("halt", at, line, count=count)
