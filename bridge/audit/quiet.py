"""Rules of quiet and order between supply, message, burst and continuous tone.

They need times: a capture without them is judged for order alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from bridge.audit.finding import PRACTICE, STANDARD, Finding
from bridge.bus import standard as std
from bridge.bus.event import Burst, Event, FrameHeard, Supply, Tone

READING_S = 0.5e-3  # s by which a capture may be read wrong (judgement)
STEP_V = 2.0  # V, a supply change that is meant; less is load or ripple (judgement)
KEYED_S = 1.4e-3  # s of quiet after tone, as inside a message: keyed out of the tone (judgement)
FOLLOWING_S = 0.1  # s within which a burst and the message after it go together (common practice)

Kind = Literal["supply", "message", "reply", "burst", "tone on", "tone off"]
_NAMES: dict[str, str] = {
    "supply": "a supply change",
    "message": "a message",
    "burst": "a tone burst",
    "tone on": "the start of continuous tone",
    "tone off": "the end of continuous tone",
}
_EFFECTS: dict[tuple[Kind, Kind], str] = {
    ("supply", "message"): "the message may be lost while the supply settles",
    ("tone off", "message"): "the positioner may take the tone's end for the first bit",
    ("message", "message"): "the positioner may still be busy with the first and lose the second",
    ("message", "burst"): "a switch that obeys bursts may miss it",
    ("message", "tone on"): "the tone may spoil the message's last bit",
    ("burst", "tone on"): "the tone may spoil the burst",
}


@dataclass(frozen=True, slots=True)
class _Span:
    """What takes part in these rules, and when it begins and ends."""

    kind: Kind
    start_s: float
    end_s: float


def _span(event: Event) -> _Span | None:
    match event:
        case FrameHeard(t_s=float(t_s), duration_s=float(duration_s)):
            return _Span("reply" if event.head.is_reply else "message", t_s, t_s + duration_s)
        case Burst(t_s=t_s):
            return _Span("burst", t_s, t_s + std.BURST_S)
        case Tone(t_s=t_s, on=on):
            return _Span("tone on" if on else "tone off", t_s, t_s)
        case Supply(t_s=t_s):
            return _Span("supply", t_s, t_s)
        case _:
            return None


class QuietTimes:
    """Follows one capture; `see` gives the findings that an event completes."""

    def __init__(self) -> None:
        self._last: _Span | None = None
        self._supply_v: float | None = None
        self._tone = False

    def see(self, event: Event) -> Iterator[Finding]:
        """The findings about an event and the one before it."""
        if isinstance(event, Supply) and not self._is_ordered(event):
            return
        now = _span(event)
        if now is None:
            return
        if now.kind == "message" and (self._tone or self._keyed_out_of_tone(now.start_s)):
            yield Finding(
                now.start_s,
                "tone_left_on",
                "error",
                "a message while continuous tone is on",
                "the positioner hears tone, not bits: the message is lost",
                STANDARD,
            )
        if isinstance(event, Tone):
            self._tone = event.on
        if self._last is not None:
            yield from _judge(self._last, now.kind, now.start_s)
        self._last = now

    def _is_ordered(self, event: Supply) -> bool:
        """Whether the sender changed the level: not its start, and more than a sag under load."""
        before, self._supply_v = self._supply_v, event.volts
        return before is not None and abs(event.volts - before) >= STEP_V

    def _keyed_out_of_tone(self, start_s: float) -> bool:
        """Whether a message begins where tone ends: the tone was on, its first bit is in it."""
        last = self._last
        return last is not None and last.kind == "tone off" and start_s - last.end_s < KEYED_S


def _judge(last: _Span, kind: Kind, start_s: float) -> Iterator[Finding]:
    gap_s = start_s - last.end_s
    effect = _EFFECTS.get((last.kind, kind))
    if effect and 0 <= gap_s < std.QUIET_S - READING_S:
        between_messages = (last.kind, kind) == ("message", "message")
        yield Finding(
            start_s,
            "short_quiet",
            "error" if gap_s < std.END_OF_MESSAGE_S else "warning",
            f"{_NAMES[kind]} too soon after {_NAMES[last.kind]}",
            effect,
            PRACTICE if between_messages else STANDARD,
            f"{gap_s * 1e3:.1f} ms",
            f"at least {std.QUIET_S * 1e3:g} ms",
        )
    if (last.kind, kind) == ("tone on", "supply"):
        yield Finding(
            start_s,
            "order",
            "note",
            "the supply changed while continuous tone was on",
            "tone off first, then the supply, message, burst and tone: else a switch may "
            "take the step for a burst",
            STANDARD,
        )
    if (last.kind, kind) == ("burst", "message") and gap_s < FOLLOWING_S:
        yield Finding(
            start_s,
            "order",
            "warning",
            "a message after a tone burst",
            "the burst belongs after the message: a device that obeys both may act on the "
            "burst alone",
            STANDARD,
            f"burst {gap_s * 1e3:.1f} ms before the message",
        )
