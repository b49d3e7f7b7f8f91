"""What one look at the adapter measures: in the snapshot, and over the last minute."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import replace

from bridge.helm.snapshot import Snapshot
from bridge.link.status import Status

Point = tuple[float, float | None, float | None]
"""(time in s, signal in dB, motor current in A)"""

SPAN_S = 60.0  # s of history, as wide as the plots show (judgement)
STEP_S = 0.1  # s between points, finer than a plot of 600 cells can show (judgement)


def with_readings(now: Snapshot, status: Status) -> Snapshot:
    """The snapshot with what was measured; the best signal so far stays with its count."""
    now = replace(
        now,
        count=status.tally,
        moving=status.moving,
        motor_v=status.motor_v,
        motor_a=status.motor_a,
        signal_db=status.signal_db,
        supply_v=status.supply_v,
        tone=status.tone,
    )
    if status.signal_db is None or (now.best_db is not None and status.signal_db <= now.best_db):
        return now
    return replace(now, best_db=status.signal_db, best_count=status.tally)


class History:
    """Points at least a step apart, the oldest forgotten first; safe in any thread."""

    def __init__(self) -> None:
        self._points: deque[Point] = deque(maxlen=round(SPAN_S / STEP_S))
        self._lock = threading.Lock()

    def add(self, t_s: float, signal_db: float | None, motor_a: float | None) -> None:
        """Take a point in, unless the last one is less than a step ago."""
        with self._lock:
            if not self._points or t_s - self._points[-1][0] >= STEP_S:
                self._points.append((t_s, signal_db, motor_a))

    def points(self) -> list[Point]:
        """Oldest first."""
        with self._lock:
            return list(self._points)
