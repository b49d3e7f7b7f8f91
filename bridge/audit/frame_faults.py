"""Faults of single frames: how bad each is, and what a positioner makes of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from bridge.audit.finding import STANDARD, Finding, Severity
from bridge.bus.event import FaultCode, FrameHeard

# What a code that is not here says is for people only: the positioner does not mind it.
_EFFECTS: dict[FaultCode, tuple[Severity, str]] = {
    "parity": ("error", "the positioner drops the message, or asks for it again"),
    "left_over_bits": ("error", "the positioner drops the message"),
    "missing_bits": ("error", "the positioner drops the message"),
    "slot_timing": ("warning", "a strict positioner may misread a bit"),
    "notch": ("warning", "a bit may be misread"),
    "pulse": ("warning", "a bit may be misread"),
    "long_tone": ("error", "the bit cannot be read"),
    "carrier_off": ("error", "a tuned detector does not hear it"),
    "level_off": ("warning", "a deaf detector does not hear it, or a near one is overdriven"),
    "too_long": ("error", "the positioner drops the message"),
    "reply_late": ("warning", "the receiver no longer listens"),
    "reply_missing": ("note", "the receiver repeats, or takes the bus for one-way"),
    "reply_code": ("error", "the receiver takes it for an answer to something else"),
}


def findings_of_faults(event: FrameHeard) -> Iterator[Finding]:
    """One finding for each kind of fault in a frame, with the first of its kind in words."""
    times = Counter(fault.code for fault in event.faults)
    first = {fault.code: fault for fault in reversed(event.faults)}
    for code, number in times.items():
        if code in _EFFECTS:
            severity, effect = _EFFECTS[code]
            more = f" (and {number - 1} more of the kind)" if number > 1 else ""
            yield Finding(event.t_s, code, severity, first[code].detail + more, effect, STANDARD)
