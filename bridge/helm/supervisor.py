"""What the helm's thread does with an open adapter: carries out an order, takes a look.

All that is remembered from one to the next lives on when the port is lost and opened again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bridge.bus.command import command_of
from bridge.diagnosis import MotionWatch, Standstill
from bridge.errors import ArcstepError, LinkLost, NotConfirmed, Refused
from bridge.guard import permit
from bridge.helm.adapter_events import AdapterEvents
from bridge.helm.belief import believe
from bridge.helm.motion_memory import MotionMemory
from bridge.helm.orders import AdapterOrder, FrameOrder, Order, Orders
from bridge.helm.outcome import Outcome
from bridge.helm.readings import History, with_readings
from bridge.helm.state import State
from bridge.link.client import Adapter
from bridge.link.status import Status
from bridge.log.record import Kind, LogEvent, Record
from bridge.log.sentence import sentence

REPLY_S = 0.2  # s to wait for a reply to begin; the standard allows 150 ms (DiSEqC BFS, memory)

_EVENTS = {
    Standstill.END_SWITCH: LogEvent.END_SWITCH,
    Standstill.STALL: LogEvent.STALL,
    Standstill.NO_COUNTS: LogEvent.NO_COUNTS,
}


class Supervisor:
    """Carries out orders through the guard, and watches what moves; one thread calls it."""

    def __init__(
        self,
        state: State,
        orders: Orders,
        halt: Callable[[str], None],
        clock: Callable[[], float],
    ) -> None:
        self.motion = MotionMemory()
        self.outcome = Outcome()
        self.history = History()
        self.beat_s: float | None = None  # the last heartbeat of the screen
        self._state = state
        self._orders = orders
        self._halt = halt
        self._clock = clock
        self._watch = MotionWatch()
        self._events = AdapterEvents()

    def carry_out(self, adapter: Adapter, order: Order) -> None:
        """Send a frame or change the adapter. Raises LinkLost; what else fails is shown."""
        try:
            if isinstance(order, AdapterOrder):
                order.apply(adapter)
                self._state.log.add(order.record)
            else:
                self._send(adapter, order)
        except NotConfirmed as refusal:
            self._orders.release_key()
            words = order.words if isinstance(order, FrameOrder) else ""
            self._state.refuse(f"{refusal}; enter it again to send it", confirm=words)
        except Refused as refusal:
            self._orders.release_key()  # a held key that was refused asks once, not thirty times
            self._state.refuse(str(refusal))
        except LinkLost:
            raise
        except ArcstepError as error:
            frame = order.frame.build() if isinstance(order, FrameOrder) else b""
            self._state.fail(Record(Kind.ERROR, frame=frame, detail=str(error)), str(error))

    def _send(self, adapter: Adapter, order: FrameOrder) -> None:
        if order.halts != self._orders.halts:
            return
        if order.pressed_s is not None and not self._orders.fresh(order.pressed_s):
            return
        frame, log = order.frame, self._state.log
        situation = self.motion.situation(self._state.snapshot, self._clock())
        granted = permit(frame, situation, confirmed=order.confirmed)
        data = frame.build()
        sent = adapter.send(data, reply_s=REPLY_S if frame.reply_wanted else 0.0)
        overtaken = order.halts != self._orders.halts
        if overtaken:  # by a halt, which has the last word
            adapter.stop()
        log.add(Record(Kind.SENT, frame=data, detail=order.cause))
        command = command_of(frame)
        self.motion.sent(command, granted.bound_s, self._clock())
        self.outcome.sent(command, self._state.snapshot.positions)
        if overtaken:
            self.outcome.halt()
        self._state.update(lambda now: replace(believe(command, now), error="", confirm=""))
        if not frame.reply_wanted:
            return
        if sent.reply is None:
            log.add(Record(Kind.NOTE, LogEvent.NO_REPLY))
        else:
            log.add(Record(Kind.REPLY, frame=sent.reply, asked=data))

    def look(self, adapter: Adapter) -> None:
        """One look: readings, events, diagnosis, and whether the motion may go on."""
        status = adapter.status()
        now_s = self._clock()
        before, log = self._state.snapshot, self._state.log
        log.count = status.tally
        for event in adapter.events():
            log.add(self._events.record_of(event))
        self.motion.see(before, status.moving, status.tally, now_s)
        activity = self.motion.activity(status.moving, now_s)
        self._state.update(
            lambda now: replace(
                with_readings(now, status), activity=activity, bound=self.motion.bound
            )
        )
        self._report_standstill(status)
        if record := self.outcome.see(activity, status.tally):
            log.add(record)
        self.history.add(now_s, status.signal_db, status.motor_a)
        if reason := self.motion.reason_to_halt(status.moving, now_s, self.beat_s):
            self._halt(reason)

    def _report_standstill(self, status: Status) -> None:
        # The adapter's own clock: a simulated one may run at another pace than ours.
        found = self._watch.see(status.t_s, status.moving, status.pulses, status.motor_a)
        side = self._watch.side
        if found is None or side is None:
            return
        record = Record(Kind.NOTE, _EVENTS[found], side=side, count=status.tally)
        self._state.log.add(record)
        if found is not Standstill.END_SWITCH:
            self._state.update(lambda now: replace(now, error=sentence(record), confirm=""))
        elif side == "east":
            self._state.update(lambda now: replace(now, east_end=status.tally))
        else:
            self._state.update(lambda now: replace(now, west_end=status.tally))
