"""Events in, findings out: every rule of the audit, one after another, while a capture is read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from bridge.audit.finding import STANDARD, Finding
from bridge.audit.form import Forms
from bridge.audit.frame_faults import findings_of_faults
from bridge.audit.limits import LimitsLeftOff
from bridge.audit.motion import Motions
from bridge.audit.quiet import QuietTimes
from bridge.audit.repeats import Repeats
from bridge.audit.senders import Senders
from bridge.audit.supply import SupplyInMotion
from bridge.bus.event import Event, FrameHeard


class Audit:
    """Follows one capture: `see` gives what an event makes certain, `end` what never came.

    Events without times are judged for order alone, and a first finding says so.
    """

    def __init__(self) -> None:
        self._quiet, self._senders, self._repeats = QuietTimes(), Senders(), Repeats()
        self._forms, self._limits, self._motions = Forms(), LimitsLeftOff(), Motions()
        self._supply = SupplyInMotion(self._motions)
        self._without_times = False

    def see(self, event: Event) -> Iterator[Finding]:
        """The findings that an event completes, in the order of the rules."""
        if isinstance(event, FrameHeard):
            if event.duration_s is None and not self._without_times:
                self._without_times = True
                yield _no_times(event.t_s)
            yield from findings_of_faults(event)
        yield from self._quiet.see(event)
        frame = event.frame if isinstance(event, FrameHeard) and not event.head.is_reply else None
        if isinstance(event, FrameHeard) and frame is not None:
            yield from self._senders.see(event)
        yield from self._supply.see(event)
        if frame is not None:
            yield from self._repeats.see(frame, event.t_s)
            yield from self._forms.see(frame, event.t_s)
            yield from self._motions.see(frame, event.t_s)
            self._limits.see(frame, event.t_s)

    def end(self) -> Iterator[Finding]:
        """The findings of what never came."""
        yield from self._motions.end()
        yield from self._limits.end()


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
