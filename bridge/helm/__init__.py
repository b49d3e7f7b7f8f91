"""The helm: one thread that owns the port, and the values it shows."""

from bridge.bus.command import Side
from bridge.helm.helm import Helm
from bridge.helm.snapshot import LogLine, PositionRow, Scale, Snapshot

__all__ = ["Helm", "LogLine", "PositionRow", "Scale", "Side", "Snapshot"]
