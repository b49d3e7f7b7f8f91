"""What the helm shows a person: values only, safe to pass between threads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.bus.command import Side

LinkState = Literal["opening", "open", "lost", "closed"]
LogKind = Literal["sent", "heard", "reply", "rest", "note", "refused", "error"]
Hemisphere = Literal["north", "south"]


@dataclass(frozen=True, slots=True)
class PositionRow:
    """One place of the list: `count` where it was stored, `predicted` where geometry puts it."""

    number: int
    name: str
    longitude_deg: float | None = None
    count: int | None = None
    predicted: int | None = None


@dataclass(frozen=True, slots=True)
class Scale:
    """The travel in counts, as far as it is known."""

    low: int
    high: int
    hemisphere: Hemisphere
    east_end: int | None
    west_end: int | None
    limit_east: int | None
    limit_west: int | None
    satellites: tuple[PositionRow, ...]


@dataclass(frozen=True, slots=True)
class LogLine:
    """One line of the log; `t_s` is the host's monotonic clock, `count` the last one seen."""

    seq: int
    t_s: float
    kind: LogKind
    hex: str
    meaning: str
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything on the screen at one moment; None is not known."""

    t_s: float
    live: bool
    port: str
    link: LinkState = "opening"
    error: str = ""
    capabilities: frozenset[str] = frozenset()
    count: int | None = None
    moving: Side | None = None
    state: str = "opening the port"
    motor_v: float | None = None
    motor_a: float | None = None
    signal_db: float | None = None
    best_db: float | None = None
    best_count: int | None = None
    supply_v: int = 0
    tone: bool = False
    limit_east: int | None = None
    limit_west: int | None = None
    limits_on: bool | None = None
    east_end: int | None = None
    west_end: int | None = None
    positions: tuple[PositionRow, ...] = ()
    selected: int = 1
    acknowledged: bool = False
    revision: int = 0
