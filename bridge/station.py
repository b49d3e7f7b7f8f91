"""The station file: the site, the dish, its mount, its limits and its positions."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from bridge.bus.standard import MANY_POSITIONS
from bridge.datafile import Table, parse_checked, read_text

Degrees360 = Annotated[float, Field(ge=0, le=360)]
Longitude = Annotated[float, Field(ge=-180, le=180)]


class Obstacle(Table):
    """Sky hidden from one azimuth clockwise to another, up to an elevation, in degrees."""

    azimuth_deg: tuple[Degrees360, Degrees360]
    elevation_deg: float = Field(ge=0, le=90)


class Site(Table):
    """Where the dish stands; longitude east positive."""

    name: str = "unnamed station"
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: Longitude
    height_m: float = Field(default=0.0, ge=-500, le=9000)
    obstacles: tuple[Obstacle, ...] = ()


class Reflector(Table):
    """The dish itself."""

    diameter_m: float = Field(gt=0.1, le=50)
    frequency_ghz: float = Field(default=12.0, gt=0.5, le=50)


class LinearMount(Table):
    """A linear actuator between a pivot on the frame and one on the dish."""

    kind: Literal["linear"]
    frame_pivot_mm: float = Field(gt=0)
    dish_pivot_mm: float = Field(gt=0)
    retracted_mm: float = Field(gt=0)
    stroke_mm: float = Field(gt=0)
    counts_per_mm: float = Field(gt=0)
    noon_angle_deg: float = Field(default=90.0, gt=0, lt=180)


class WormMount(Table):
    """A worm drive on the polar axis itself."""

    kind: Literal["worm"]
    counts_per_deg: float = Field(gt=0)
    noon_count: int


class SoftLimits(Table):
    """Counts between which the positioner drives; counts grow west."""

    east: int
    west: int

    @model_validator(mode="after")
    def _in_order(self) -> SoftLimits:
        if self.east >= self.west:
            raise ValueError(
                f"east {self.east} is not below west {self.west}; counts grow west, so swap them"
            )
        return self


class Position(Table):
    """One satellite of the list; without `count` it is not taught yet."""

    number: int = Field(ge=1, le=255)
    name: str
    longitude_deg: Longitude | None = None
    count: int | None = None
    horizontal_deg: float = Field(default=-45.0, ge=-180, le=180)
    vertical_deg: float = Field(default=45.0, ge=-180, le=180)
    peaked: date | None = None
    note: str = ""


class Station(Table):
    """A whole station file."""

    station: Site
    dish: Reflector | None = None
    mount: Annotated[LinearMount | WormMount, Field(discriminator="kind")] | None = None
    limits: SoftLimits | None = None
    position: tuple[Position, ...] = ()

    @field_validator("position")
    @classmethod
    def _numbers_once(cls, positions: tuple[Position, ...]) -> tuple[Position, ...]:
        first: dict[int, str] = {}
        for row in positions:
            if row.number in first:
                raise ValueError(
                    f"number {row.number} is used by {first[row.number]} and by {row.name}; "
                    "give each its own"
                )
            first[row.number] = row.name
        return positions

    def warnings(self) -> list[str]:
        """What is allowed but seldom meant."""
        return [
            f"position {row.number} ({row.name}): many positioners hold {MANY_POSITIONS}"
            for row in self.position
            if row.number > MANY_POSITIONS
        ]


def load_station(path: str | Path) -> Station:
    """The station in a file. Raises YardError with every mistake, one a line."""
    where = Path(path)
    return parse_checked(read_text(where), str(path), Station)
