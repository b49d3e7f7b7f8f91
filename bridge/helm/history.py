"""The last minute of signal and current; safe to write and read from any thread."""

from __future__ import annotations

import threading
from collections import deque

Point = tuple[float, float | None, float | None]
"""(time in s, signal in dB, motor current in A)"""

SPAN_S = 60.0  # s kept
STEP_S = 0.1  # s between points


class History:
    """Points at least a step apart, the oldest forgotten first."""

    def __init__(self) -> None:
        self._points: deque[Point] = deque(maxlen=int(SPAN_S / STEP_S))
        self._lock = threading.Lock()

    def add(self, t_s: float, signal_db: float | None, motor_a: float | None) -> None:
        with self._lock:
            if not self._points or t_s - self._points[-1][0] >= STEP_S:
                self._points.append((t_s, signal_db, motor_a))

    def points(self) -> list[Point]:
        """Oldest first."""
        with self._lock:
            return list(self._points)
