"""The last records of the log, numbered; safe to write and read from any thread."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from itertools import islice

from bridge.log.record import Record

MOST_RECORDS = 2000  # records; over a minute of a busy bus, at 25 frames a second (judgement)


class LogBuffer:
    """Numbered records, the oldest forgotten first; each is stamped with the last count seen."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.count: int | None = None  # the last one seen
        self._clock = clock
        self._records: deque[Record] = deque(maxlen=MOST_RECORDS)
        self._seq = 0
        self._lock = threading.Lock()

    def add(self, record: Record) -> None:
        """Append a record; its number, time and count are filled in here."""
        with self._lock:
            self._seq += 1
            self._records.append(
                replace(record, seq=self._seq, t_s=self._clock(), count=self.count)
            )

    def since(self, seq: int) -> list[Record]:
        """Records after number `seq`, oldest first."""
        with self._lock:
            length = len(self._records)
            skipped = min(max(0, length - (self._seq - seq)), length)
            return list(islice(self._records, skipped, None))
