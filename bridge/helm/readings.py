"""What one look at the adapter shows, as fields of the snapshot."""

from __future__ import annotations

from bridge.helm.snapshot import Snapshot
from bridge.link.status import Status


def readings(status: Status, before: Snapshot, state: str) -> dict[str, object]:
    """Fields of the snapshot after a look; the best signal so far is kept with its count."""
    changes: dict[str, object] = {
        "count": status.tally,
        "moving": status.moving,
        "motor_v": status.motor_v,
        "motor_a": status.motor_a,
        "signal_db": status.signal_db,
        "supply_v": status.supply_v,
        "tone": status.tone,
        "state": state,
    }
    best = before.best_db
    if status.signal_db is not None and (best is None or status.signal_db > best):
        changes |= {"best_db": status.signal_db, "best_count": status.tally}
    return changes
