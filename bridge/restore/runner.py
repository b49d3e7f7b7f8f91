"""Carries out a restoration on an adapter: the only part of it that does anything."""

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
from bridge.restore.motion import Act, Doing, Keep, Look, Seen, Send, Stop
from bridge.restore.steps import Work

LOOK_S = 0.1  # s between looks; each feeds the lease
REPLY_S = 0.2  # s to wait for a reply to begin: 150 ms on the bus, and some

Ending = TypeVar("Ending")


class Bus(Protocol):
    """What is needed of an adapter."""

    @property
    def greeting(self) -> Greeting: ...
    def send(self, data: bytes, *, reply_s: float = 0.0) -> Sent: ...
    def status(self) -> Status: ...
    def events(self) -> list[Event]: ...
    def stop(self) -> None: ...


class Hand:
    """One adapter; whatever ends a motion here that was not ordered here ends the work."""

    def __init__(
        self,
        bus: Bus,
        *,
        tell: Callable[[Doing | Seen], None] = lambda _: None,
        keep: Callable[[Journal], None] = lambda _: None,
        look_s: float = LOOK_S,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._bus = bus
        self._tell = tell
        self._keep = keep
        self._look_s = look_s
        self._sleep = sleep
        self._boot = bus.greeting.boot
        self._began_s = time.monotonic()
        self._status: Status | None = None
        self._trips: int | None = None
        self._stops = 0  # ordered here and not told of yet

    def look(self, reply: bytes | None = None) -> Seen:
        """What the adapter shows now. Raises LinkError where its count cannot be relied on."""
        status = self._bus.status()
        if self._bus.greeting.boot != self._boot:
            raise LinkError("the adapter restarted, and with it its count")
        if status.tally is None or status.pulses is None:
            raise LinkError("the adapter tells no count any more; look at the sensor's tap")
        for event in self._bus.events():
            if isinstance(event, Stopped) and self._stops:
                self._stops -= 1  # the adapter tells of each stop, ours as well
            else:
                _check(event)
        if self._trips is not None and status.trips != self._trips:
            raise LinkError("the adapter heard nothing from here in time and halted the motor")
        self._status, self._trips = status, status.trips
        # an adapter may tell no time of its own: then the host's
        t_s = status.t_s or time.monotonic() - self._began_s
        return Seen(
            t_s,
            status.tally,
            status.pulses,
            status.moving,
            status.motor_a,
            status.signal_db,
            reply,
        )

    def carry_out(self, steps: Generator[Act, Seen, Ending], journal: Journal | None) -> Ending:
        """Do what a generator yields until it returns."""
        try:
            act = next(steps)
            while True:
                reply = self._do(act, journal)
                seen = self.look(reply)
                self._tell(seen)
                act = steps.send(seen)
        except StopIteration as ended:
            ending: Ending = ended.value
            return ending

    def work(self, work: Work) -> None:
        """A whole session; on the way out by anything but its end the motor stops first."""
        try:
            self.carry_out(work.steps(self.look()), work.journal)
        except BaseException:
            self._leave(work)
            raise

    def _do(self, act: Act, journal: Journal | None) -> bytes | None:
        match act:
            case Send(frame, twice):
                listen_s = REPLY_S if frame.reply_wanted else 0.0
                sent = self._bus.send(frame.build(), reply_s=listen_s)
                if twice:  # the framing of a repeat, for those that tell it from a second order
                    self._bus.send(frame.as_repeat.build())
                return sent.reply
            case Stop():
                self._stops += 1
                self._bus.stop()
                self._sleep(self._look_s)
            case Look():
                self._sleep(self._look_s)
            case Keep():
                self._note(journal)
            case Doing():
                self._tell(act)
        return None

    def _note(self, journal: Journal | None) -> None:
        """The count of the last look goes with whatever is saved."""
        if journal is None:
            return
        if self._status is not None:
            journal.boot, journal.trips = self._boot, self._status.trips
            journal.pulses = self._status.pulses or 0
            journal.tally = self._status.tally or 0
        self._keep(journal)

    def _leave(self, work: Work) -> None:
        """Motor off, limits on, what was seen last saved; none of it may hide the reason."""
        with contextlib.suppress(LinkError):
            self._bus.stop()
            for frame in work.way_out():
                self._bus.send(frame.build())
        with contextlib.suppress(ArcstepError):
            self._note(work.journal)


def _check(event: Event) -> None:
    """Raises LinkError for what says that somebody else is at the dish."""
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
