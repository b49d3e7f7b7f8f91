"""Carries out a restoration on an adapter: the only file of this room that waits or sends."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Generator
from typing import Protocol, TypeVar

from bridge.bus.frame import Frame
from bridge.errors import ArcstepError, FrameError, LinkError
from bridge.link.dialogue import Event, Heard, Stopped
from bridge.link.status import Greeting, Sent, Status
from bridge.restore.journal import Journal
from bridge.restore.requests import (
    Notice,
    Observation,
    Observe,
    Request,
    SaveJournal,
    SendFrame,
    StopMotor,
)
from bridge.restore.steps import Restoration

LOOK_S = 0.1  # s between looks; each feeds the lease (judgement)
REPLY_S = 0.2  # s to wait for a reply: 150 ms (Bus Functional Specification), and some margin

Result = TypeVar("Result")


class RestoreAdapter(Protocol):
    """What is needed of an adapter; `bridge.link.client.Adapter` has it."""

    @property
    def greeting(self) -> Greeting: ...
    def send(self, data: bytes, *, reply_s: float = ...) -> Sent: ...
    def status(self) -> Status: ...
    def events(self) -> list[Event]: ...
    def stop(self) -> None: ...


class Runner:
    """Works on one adapter; a stop, a restart or another sender ends the work with a LinkError."""

    def __init__(
        self,
        adapter: RestoreAdapter,
        *,
        report: Callable[[Notice | Observation], None] = lambda _: None,
        save: Callable[[Journal], None] = lambda _: None,
        look_s: float = LOOK_S,
        sleep: Callable[[float], None] = time.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._adapter = adapter
        self._report = report
        self._save = save
        self._look_s = look_s
        self._sleep = sleep
        self._clock = clock
        self._boot = adapter.greeting.boot
        self._began_s = clock()
        self._status: Status | None = None
        self._trips: int | None = None
        self._expected_stops = 0  # sent from here, and not yet reported by the adapter

    def look(self, reply: bytes | None = None) -> Observation:
        """What the adapter shows now. Raises LinkError where its count cannot be relied on."""
        status = self._adapter.status()
        if self._adapter.greeting.boot != self._boot:
            raise LinkError("the adapter restarted, and with it its count")
        if status.tally is None or status.pulses is None:
            raise LinkError("the adapter sends no count any more; look at the sensor's tap")
        for event in self._adapter.events():
            if isinstance(event, Stopped) and self._expected_stops:
                self._expected_stops -= 1
            else:
                _check(event)
        if self._trips is not None and status.trips != self._trips:
            raise LinkError("the adapter heard nothing from here in time and halted the motor")
        self._status, self._trips = status, status.trips
        # An adapter without a clock of its own sends no time: then the host's is used.
        t_s = status.t_s or self._clock() - self._began_s
        return Observation(
            t_s,
            status.tally,
            status.pulses,
            status.moving,
            status.motor_a,
            status.signal_db,
            reply,
        )

    def carry_out(
        self, steps: Generator[Request, Observation, Result], journal: Journal | None
    ) -> Result:
        """Carry out requests until the generator returns."""
        try:
            request = next(steps)
            while True:
                reply = self._do(request, journal)
                seen = self.look(reply)
                self._report(seen)
                request = steps.send(seen)
        except StopIteration as ended:
            result: Result = ended.value
            return result

    def run(self, restoration: Restoration) -> None:
        """A whole session; whatever breaks it off stops the motor first and puts limits on."""
        try:
            self.carry_out(restoration.steps(self.look()), restoration.journal)
        except BaseException:
            self._break_off(restoration)
            raise

    def _do(self, request: Request, journal: Journal | None) -> bytes | None:
        match request:
            case SendFrame(frame, repeat):
                listen_s = REPLY_S if frame.reply_wanted else 0.0
                sent = self._adapter.send(frame.build(), reply_s=listen_s)
                if repeat:  # marked as one, for positioners that would act on a second order
                    self._adapter.send(frame.as_repeat.build())
                return sent.reply
            case StopMotor():
                self._expected_stops += 1
                self._adapter.stop()
                self._sleep(self._look_s)
            case Observe():
                self._sleep(self._look_s)
            case SaveJournal():
                self._save_journal(journal)
            case Notice():
                self._report(request)
        return None

    def _save_journal(self, journal: Journal | None) -> None:
        """Save it together with the count of the last look."""
        if journal is None:
            return
        if self._status is not None:
            journal.boot, journal.trips = self._boot, self._status.trips
            journal.pulses = self._status.pulses or 0
            journal.tally = self._status.tally or 0
        self._save(journal)

    def _break_off(self, restoration: Restoration) -> None:
        """Motor off, limits on, the last look saved; nothing of it hides the reason."""
        with contextlib.suppress(LinkError):
            self._adapter.stop()
            for frame in restoration.closing_frames():
                self._adapter.send(frame.build())
        with contextlib.suppress(ArcstepError):
            self._save_journal(restoration.journal)


def _check(event: Event) -> None:
    """Raises LinkError for an event that shows that somebody else is at the dish."""
    if isinstance(event, Stopped):
        raise LinkError("somebody stopped the motor at the adapter")
    if isinstance(event, Heard):
        try:
            frame = Frame.parse(event.data)
        except FrameError:
            return
        if not frame.is_reply and frame.command is not None:
            raise LinkError(
                f"another device on the bus sent {frame.hex}; two must not steer one dish, so "
                "disconnect it first"
            )
