"""The one owner of wall time: simulated seconds run `speed` times as fast, or stand still."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from bridge.errors import YardError

SLOWEST, FASTEST = 0.1, 1000.0  # simulated seconds a second (judgement)


def check_speed(speed: float) -> float:
    """`speed` itself; YardError when no simulated clock runs at it."""
    if not SLOWEST <= speed <= FASTEST:
        raise YardError(
            f"speed={speed:g} is not in {SLOWEST:g} to {FASTEST:g} simulated seconds a second"
        )
    return speed


class Clock:
    """Simulated time from 0; may be paused and sped up from any thread, and never jumps."""

    def __init__(
        self, *, speed: float = 1.0, start_s: float = 0.0, wall: Callable[[], float] | None = None
    ) -> None:
        self._wall = wall or time.monotonic
        self._lock = threading.Lock()
        self._speed = check_speed(speed)
        self._paused = False
        self._base_s = start_s
        self._base_wall_s = self._wall()
        self._changed: list[Callable[[], None]] = []

    @property
    def speed(self) -> float:
        """Simulated seconds a second while running."""
        return self._speed

    @property
    def paused(self) -> bool:
        """Whether simulated time stands still."""
        return self._paused

    def wall_s(self) -> float:
        """Wall time, from whatever this clock reads it."""
        return self._wall()

    def now_s(self) -> float:
        """Simulated time."""
        with self._lock:
            return self._now_s()

    def wall_until(self, then_s: float) -> float | None:
        """Seconds of wall time until `then_s`, 0 when it is past; None while paused."""
        with self._lock:
            left_s = then_s - self._now_s()
            if left_s <= 0:
                return 0.0
            return None if self._paused else left_s / self._speed

    def pause(self) -> None:
        """Let simulated time stand still."""
        self._set(self._speed, True)

    def resume(self) -> None:
        """Let simulated time run on."""
        self._set(self._speed, False)

    def set_speed(self, speed: float) -> None:
        """Run at `speed` from now on; YardError outside SLOWEST to FASTEST."""
        self._set(check_speed(speed), self._paused)

    def on_change(self, call: Callable[[], None]) -> None:
        """Call `call` after each change: whoever waits for a simulated time waits anew."""
        self._changed.append(call)

    def _now_s(self) -> float:
        if self._paused:
            return self._base_s
        return self._base_s + (self._wall() - self._base_wall_s) * self._speed

    def _set(self, speed: float, paused: bool) -> None:
        with self._lock:
            self._base_s = self._now_s()
            self._base_wall_s = self._wall()
            self._speed, self._paused = speed, paused
        for call in self._changed:
            call()
