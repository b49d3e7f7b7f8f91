"""What the helm publishes: the latest snapshot and the log, for any thread to read."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

from bridge.helm.snapshot import Snapshot
from bridge.log.buffer import LogBuffer
from bridge.log.record import Kind, Record


class State:
    """The snapshot and the log; every method is thread-safe."""

    def __init__(self, snapshot: Snapshot, log: LogBuffer) -> None:
        self.log = log
        self._snapshot = snapshot
        self._lock = threading.Lock()

    @property
    def snapshot(self) -> Snapshot:
        """The latest snapshot; a value that never changes."""
        return self._snapshot

    def update(self, change: Callable[[Snapshot], Snapshot]) -> None:
        """Publish what `change` makes of the latest snapshot."""
        with self._lock:
            self._snapshot = change(self._snapshot)

    def refuse(self, reason: str, *, confirm: str = "") -> None:
        """Show and log why nothing was sent; `confirm`: the words that, given again, are sent."""
        self.log.add(Record(Kind.REFUSED, detail=reason))
        self.update(lambda now: replace(now, error=reason, confirm=confirm))

    def fail(self, record: Record, error: str) -> None:
        """Show an error and log it."""
        self.log.add(record)
        self.update(lambda now: replace(now, error=error, confirm=""))
