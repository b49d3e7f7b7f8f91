"""What the helm shows a person: values only, safe to pass between threads."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Literal

from bridge.bus.command import Side

LinkState = Literal["opening", "open", "lost", "closed"]
Hemisphere = Literal["north", "south"]


class Activity(Enum):
    """What the dish is doing, in the words that are shown."""

    OPENING = "opening the port"
    NO_LINK = "no link"
    DRIVING = "driving"
    COASTING = "coasting to rest"
    AT_REST = "at rest"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class PositionRow:
    """One position of the list: `count` where it was stored, `predicted` where geometry puts it."""

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
class Snapshot:
    """Everything on the screen at one moment; None is not known.

    `bound` says how far the motion under way goes. `confirm` holds the words of a command that
    was refused only because it must be given twice.
    """

    live: bool
    port: str
    link: LinkState = "opening"
    error: str = ""
    confirm: str = ""
    capabilities: frozenset[str] = frozenset()
    count: int | None = None
    moving: Side | None = None
    activity: Activity = Activity.OPENING
    bound: str = ""
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

    @property
    def state(self) -> str:
        """The activity in words.

        >>> driving = Snapshot(False, "sim://", moving="west", activity=Activity.DRIVING)
        >>> driving.state
        'driving west'
        """
        if self.activity is not Activity.DRIVING or self.moving is None:
            return self.activity.value
        return f"{self.activity.value} {self.moving}" + (f", {self.bound}" if self.bound else "")
