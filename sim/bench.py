"""What `sim://` opens and `serve` serves: a yard's dish behind an adapter on a clock."""

from __future__ import annotations

import secrets
import threading
import time
from pathlib import Path

from sim.adapter import SimAdapter
from sim.clock import Clock
from sim.lease import LONGEST_LEASE_S
from sim.state_file import StateFile
from sim.yard_url import YardUrl

SAVE_EVERY_S = 2.0  # s of wall time between looks at the state file (judgement)
SETTLE_S = 10.0  # simulated s, beyond the longest lease, for a dish to come to rest (judgement)
SETTLE_STEP_S = 0.1  # simulated s between looks at whether it has (judgement)
COAST_S = 2.0  # simulated s for the last pulses after the motor is off (judgement)


class Bench:
    """A running simulated adapter: bytes in, bytes out, from any thread.

    Nothing runs between calls. What falls due in between (a frame's end, the end of the lease)
    happens at its own simulated time as soon as anybody calls; `wait` sleeps until then.
    """

    def __init__(
        self, adapter: SimAdapter, clock: Clock, *, state: StateFile | None = None
    ) -> None:
        self.adapter = adapter
        self.clock = clock
        self._state = state
        self._save_at_s = clock.wall_s()
        self._turn = threading.Condition()
        self._roused = False
        clock.on_change(self._recompute_wait)

    @classmethod
    def open(cls, url: str) -> Bench:
        """From a `sim://` URL; YardError when there cannot be such a yard, fault or state."""
        from sim.rig.dish import Dish  # noqa: PLC0415  # the physics and its libraries
        from sim.yard_files import load_yard  # noqa: PLC0415

        parts = YardUrl.parse(url)
        yard = load_yard(parts.yard)
        state = StateFile(Path(parts.state), parts.yard) if parts.state else None
        memory, boot = state.load() if state else (None, secrets.randbelow(60_000))
        dish = Dish(yard, faults=parts.faults, seed=parts.seed, state=memory)
        clock = Clock(speed=parts.speed, start_s=dish.time_s)
        bench = cls(SimAdapter(dish, boot=boot + 1), clock, state=state)
        bench.save()
        return bench

    def feed(self, data: bytes) -> None:
        """Bytes from the host, now."""
        with self._turn:
            self._catch_up()
            self.adapter.receive(data, self.clock.now_s())
            self._turn.notify_all()

    def take(self) -> bytes:
        """Bytes for the host that are due by now."""
        with self._turn:
            self._catch_up()
            return self.adapter.take()

    def wait(self, timeout_s: float | None) -> bytes:
        """As `take`, waiting for the first byte, for `rouse`, or for `timeout_s` of wall time."""
        end_s = None if timeout_s is None else time.monotonic() + timeout_s
        with self._turn:
            while True:
                self._catch_up()
                data = self.adapter.take()
                left_s = None if end_s is None else end_s - time.monotonic()
                if data or self._roused or (left_s is not None and left_s <= 0):
                    self._roused = False
                    return data
                waits_s = [at_s for at_s in (left_s, self._due_in_s()) if at_s is not None]
                self._turn.wait(min(waits_s, default=None))

    def rouse(self) -> None:
        """End the `wait` of another thread, now or when it begins."""
        with self._turn:
            self._roused = True
            self._turn.notify_all()

    def due_in_s(self) -> float | None:
        """Wall seconds until somebody should call again; None when nothing falls due."""
        with self._turn:
            return self._due_in_s()

    def catch_up(self) -> None:
        """Carry out what is due, and take nothing."""
        with self._turn:
            self._catch_up()

    def save(self) -> None:
        """Write the state file, if there is one and it is out of date."""
        with self._turn:
            self._catch_up()
            self._save()

    def close(self) -> None:
        """Let the dish come to rest without its host, in no wall time, and save the state."""
        self.rouse()
        with self._turn:
            self._catch_up()
            adapter = self.adapter
            end_s = self.clock.now_s() + LONGEST_LEASE_S * adapter.lease.pace + SETTLE_S
            at_s = self.clock.now_s()
            while at_s < end_s and (adapter.next_s() is not None or adapter.dish.readings().moving):
                at_s += SETTLE_STEP_S
                adapter.advance(at_s)
            adapter.advance(at_s + COAST_S)
            self._save()

    def _catch_up(self) -> None:
        self.adapter.lease.pace = self.clock.speed
        self.adapter.advance(self.clock.now_s())
        if self._state is not None and self.clock.wall_s() >= self._save_at_s:
            self._save()

    def _due_in_s(self) -> float | None:
        next_s = self.adapter.next_s()
        due_s = None if next_s is None else self.clock.wall_until(next_s)
        if self._state is None:
            return due_s
        save_s = max(0.0, self._save_at_s - self.clock.wall_s())
        return save_s if due_s is None else min(due_s, save_s)

    def _save(self) -> None:
        self._save_at_s = self.clock.wall_s() + SAVE_EVERY_S
        if self._state is not None:
            self._state.save(self.adapter.dish.dump(), self.adapter.boot)

    def _recompute_wait(self) -> None:
        with self._turn:
            self._turn.notify_all()
