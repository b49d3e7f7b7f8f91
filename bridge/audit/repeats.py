"""Repeats: the code they need, and the time that a switch needs before them."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.audit.finding import STANDARD, Finding
from bridge.bus import standard as std
from bridge.bus.command import Drive, command_of
from bridge.bus.frame import Frame
from bridge.trade_figures import RECEIVER_REPEAT_S

WITHIN_S = 0.5  # s within which the same bytes are meant as a repeat (common practice)


class Repeats:
    """Holds every command against the one before it."""

    def __init__(self) -> None:
        self._last: tuple[Frame, float | None] | None = None

    def see(self, frame: Frame, t_s: float | None) -> Iterator[Finding]:
        """The finding about a command that repeats the one before."""
        last, self._last = self._last, (frame, t_s)
        if last is None or frame.body != last[0].body:
            return
        since_s = None if t_s is None or last[1] is None else t_s - last[1]
        if since_s is not None and since_s > WITHIN_S:
            return
        if not frame.is_repeat:
            yield _wrong_code(frame, t_s, since_s)
        elif since_s is not None:
            quiet_s = since_s - frame.duration_s
            if quiet_s < RECEIVER_REPEAT_S.high:
                yield _early(t_s, quiet_s)


def _wrong_code(frame: Frame, t_s: float | None, since_s: float | None) -> Finding:
    command = command_of(frame)
    steps = isinstance(command, Drive) and command.counts is not None
    return Finding(
        t_s,
        "repeat_code",
        "error" if steps else "note" if since_s is None else "warning",
        f"{frame.hex} again with the code of a first transmission",
        "the dish steps twice" if steps else "it is acted on twice",
        STANDARD,
        "" if since_s is None else f"{since_s * 1e3:.0f} ms from start to start",
        "E1 or E3 in a repeat",
    )


def _early(t_s: float | None, quiet_s: float) -> Finding:
    return Finding(
        t_s,
        "repeat_early",
        "note",
        "the repeat comes early",
        "a switch that is still powering up may lose it as well",
        STANDARD,
        f"{quiet_s * 1e3:.0f} ms of quiet",
        f"about {std.REPEAT_S * 1e3:g} ms",
    )
