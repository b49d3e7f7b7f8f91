"""Events in, findings out; streaming, in the order of the capture."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bridge.audit.finding import STANDARD, Finding, Severity
from bridge.audit.motion import Motions
from bridge.audit.quiet import Gaps
from bridge.bus.event import Event, Fault, FrameHeard

SENDER_LEVEL_RATIO = 1.25  # levels further apart than this come from two senders (common practice)
SENDER_CARRIER_RATIO = 1.01  # so do carriers; one oscillator holds to a few parts in a thousand

# Faults of single frames: severity and what a positioner makes of them. The rest is for people.
_FRAME_FAULTS: dict[str, tuple[Severity, str]] = {
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


class _Senders:
    """Tells two masters on one bus by their carriers and levels."""

    def __init__(self) -> None:
        self._first: FrameHeard | None = None
        self._told = False

    def see(self, event: Event) -> Iterator[Finding]:
        if not isinstance(event, FrameHeard) or event.frame is None or event.frame.is_reply:
            return
        first = self._first
        if first is None:
            self._first = event
            return
        if self._told:
            return
        for what, unit, places, before, now, ratio in (
            ("carrier", "Hz", 0, first.carrier_hz, event.carrier_hz, SENDER_CARRIER_RATIO),
            ("level", "V pp", 2, first.level_vpp, event.level_vpp, SENDER_LEVEL_RATIO),
        ):
            if before and now and max(before, now) / min(before, now) > ratio:
                self._told = True
                yield Finding(
                    event.t_s,
                    "two_senders",
                    "warning",
                    f"commands with different {what}: two masters on one bus",
                    "their messages collide, and each undoes what the other ordered",
                    STANDARD,
                    f"{before:.{places}f} and {now:.{places}f} {unit}",
                    "one master",
                )
                return


def _of_frame(event: FrameHeard) -> Iterator[Finding]:
    seen: dict[str, tuple[Fault, int]] = {}
    for fault in event.faults:
        first, times = seen.get(fault.code, (fault, 0))
        seen[fault.code] = (first, times + 1)
    for code, (fault, times) in seen.items():
        if code in _FRAME_FAULTS:
            severity, effect = _FRAME_FAULTS[code]
            more = f" (and {times - 1} more of the kind)" if times > 1 else ""
            yield Finding(event.t_s, code, severity, fault.detail + more, effect, STANDARD)


class Audit:
    """Follows one capture: `see` gives what an event makes certain, `end` what never came.

    Events without times are judged for order alone, and a first finding says so.
    """

    def __init__(self) -> None:
        self._gaps, self._motions, self._senders = Gaps(), Motions(), _Senders()
        self._told = False

    def see(self, event: Event) -> Iterator[Finding]:
        if isinstance(event, FrameHeard):
            if event.duration_s is None and not self._told:
                self._told = True
                yield _no_times(event.t_s)
            yield from _of_frame(event)
        yield from self._gaps.see(event)
        yield from self._senders.see(event)
        yield from self._motions.see(event)

    def end(self) -> Iterator[Finding]:
        yield from self._motions.end()


def _no_times(t_s: float | None) -> Finding:
    lacks = "has no times" if t_s is None else "does not hold when each message began and ended"
    return Finding(
        t_s,
        "no_times",
        "note",
        f"this capture {lacks}",
        "quiet times and durations are not judged, only order",
        STANDARD,
    )


def audit(events: Iterable[Event]) -> Iterator[Finding]:
    """Findings over a capture's events, each as soon as it is certain."""
    auditor = Audit()
    for event in events:
        yield from auditor.see(event)
    yield from auditor.end()
