"""The last lines of what was sent, heard and said; safe to write and read from any thread."""

from __future__ import annotations

import threading
import time
from collections import deque
from itertools import islice

from bridge.helm.snapshot import LogKind, LogLine

LINES = 2000  # lines kept


class Logbook:
    """Numbered lines, the oldest forgotten first; each keeps `count`, the last one seen."""

    def __init__(self) -> None:
        self.count: int | None = None
        self._lines: deque[LogLine] = deque(maxlen=LINES)
        self._seq = 0
        self._lock = threading.Lock()

    def say(self, kind: LogKind, meaning: str, hex_text: str = "") -> None:
        with self._lock:
            self._seq += 1
            line = LogLine(self._seq, time.monotonic(), kind, hex_text, meaning, self.count)
            self._lines.append(line)

    def since(self, seq: int) -> list[LogLine]:
        """Lines after number `seq`, oldest first."""
        with self._lock:
            fresh = min(len(self._lines), self._seq - seq)
            return list(islice(self._lines, len(self._lines) - fresh, None)) if fresh > 0 else []
