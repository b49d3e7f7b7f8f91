"""The station file: the site, the dish, its mount, its limits and its positions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import AfterValidator, Field, ValidationError, model_validator

from bridge.station.conflicts import (
    ends_apart,
    limits_past_ends,
    open_triangle,
    past_stroke,
    position_rows,
    shared_numbers,
)
from bridge.textfile.checked import Table, load_checked
from bridge.textfile.mistakes import Mistake, TomlText
from bridge.trade_figures import MANY_POSITIONS

LAST_LATITUDE_DEG = 81.33  # deg, beyond it the whole belt is under the horizon (WGS-84)
COUNTS_MOST = 1_000_000  # counts, far beyond any actuator (judgement)


def _longitude(value: float) -> float:
    if not -180 <= value <= 180:
        hint = f", so write {(value + 180) % 360 - 180:g}" if abs(value) <= 360 else ""
        raise ValueError(f"{value:g} is not within -180 to 180 deg; east is positive{hint}")
    return value


def _latitude(value: float) -> float:
    if abs(value) > LAST_LATITUDE_DEG:
        raise ValueError(
            f"{value:g} deg sees no satellite of the belt: beyond {LAST_LATITUDE_DEG:g} deg north"
            " or south all are under the horizon, at the pole by 8.6 deg; correct it"
        )
    return value


def _countable(value: int) -> int:
    if abs(value) > COUNTS_MOST:
        raise ValueError(
            f"{value} is beyond any actuator, {-COUNTS_MOST} to {COUNTS_MOST} counts; correct it"
        )
    return value


def _one_line(value: str) -> str:
    if not value.isprintable():
        raise ValueError(f"{value!r} holds a control character; write it on one line")
    return value


Number = Annotated[float, Field(strict=True)]  # neither true nor a number between quotes
Whole = Annotated[int, Field(strict=True)]
Count = Annotated[int, Field(strict=True), AfterValidator(_countable)]
Text = Annotated[str, AfterValidator(_one_line)]
Degrees360 = Annotated[
    float, Field(strict=True, ge=0, le=360, description="azimuths run clockwise from true north")
]
Latitude = Annotated[
    float,
    Field(strict=True, ge=-90, le=90, description="north is positive"),
    AfterValidator(_latitude),
]
Longitude = Annotated[
    float, Field(strict=True, description="degrees, east is positive"), AfterValidator(_longitude)
]


class ObstacleTable(Table):
    """Sky hidden from one azimuth clockwise to another, up to an elevation, in degrees."""

    azimuth_deg: tuple[Degrees360, Degrees360]
    elevation_deg: Number = Field(ge=0, le=90, description="0 is level, 90 straight up")

    @model_validator(mode="after")
    def _has_width(self) -> ObstacleTable:
        if self.azimuth_deg[0] == self.azimuth_deg[1]:
            raise ValueError(
                f"azimuth_deg has no width, both edges are {self.azimuth_deg[0]:g} deg; give both"
                " edges, clockwise (350 to 10 wraps north), or 0 and 360 for all round"
            )
        return self


class SiteTable(Table):
    """Where the dish stands; longitude east positive."""

    name: Text = "unnamed station"
    latitude_deg: Latitude
    longitude_deg: Longitude
    height_m: Number = Field(default=0.0, ge=-500, le=9000, description="metres above the sea")
    obstacles: tuple[ObstacleTable, ...] = ()


class ReflectorTable(Table):
    """The dish itself."""

    diameter_m: Number = Field(gt=0.1, le=50, description="metres, so 120 cm is 1.2")
    frequency_ghz: Number = Field(
        default=12.0, gt=0.5, le=50, description="GHz, so 11700 MHz is 11.7"
    )


_TAPE = "millimetres, between the middles of the pivots"


class LinearMount(Table):
    """A linear actuator between a pivot on the frame and one on the dish."""

    kind: Literal["linear"]
    frame_pivot_mm: Number = Field(gt=0, le=20000, description=f"{_TAPE} of axis and frame")
    dish_pivot_mm: Number = Field(gt=0, le=20000, description=f"{_TAPE} of axis and dish")
    retracted_mm: Number = Field(gt=0, le=20000, description=f"{_TAPE} with the actuator in")
    stroke_mm: Number = Field(gt=0, le=20000, description="millimetres from in to out")
    counts_per_mm: Number = Field(
        gt=0, le=1000, description="counts over the stroke, divided by it"
    )
    noon_angle_deg: Number = Field(
        default=90.0, gt=0, lt=180, description="the angle at the axis with the dish at noon"
    )

    @property
    def stroke_counts(self) -> float:
        """Counts from one end of the stroke to the other."""
        return self.stroke_mm * self.counts_per_mm


class WormMount(Table):
    """A worm drive on the polar axis itself."""

    kind: Literal["worm"]
    counts_per_deg: Number = Field(gt=0, le=100000, description="counts for one degree of the axis")
    noon_count: Count = Field(description="the count with the dish facing the equator")


class SoftLimits(Table):
    """Counts between which the positioner drives; counts grow west."""

    east: Count
    west: Count

    @model_validator(mode="after")
    def _in_order(self) -> SoftLimits:
        if self.east >= self.west:
            raise ValueError(
                f"east {self.east} is not below west {self.west}; counts grow west, so swap them"
            )
        return self


class KnownEnds(Table):
    """What the counter read with the dish at each end of its travel when it was commissioned."""

    east: Count | None = None
    west: Count | None = None


class Controller(Table):
    """How the positioner arrives at a position, and what supply it gives the LNB."""

    approach: Literal["east", "west", "either"] | None = None  # the way it moves when it arrives
    passing: Literal["passed", "inverted", "held13", "held18"] | None = None


class Position(Table):
    """One satellite of the list; without `count` it is not taught yet."""

    number: Whole = Field(ge=1, le=255, description="the bus carries no other")
    name: Text
    longitude_deg: Longitude | None = None
    count: Count | None = None
    horizontal_deg: Number = Field(default=-45.0, ge=-180, le=180, description="feed's angle")
    vertical_deg: Number = Field(default=45.0, ge=-180, le=180, description="feed's angle")
    peaked: date | None = None
    note: str = ""


class Station(Table):
    """A whole station file."""

    station: SiteTable
    dish: ReflectorTable | None = None
    mount: Annotated[LinearMount | WormMount, Field(discriminator="kind")] | None = None
    limits: SoftLimits | None = None
    ends: KnownEnds | None = None
    positioner: Controller = Controller()
    position: tuple[Position, ...] = ()

    @classmethod
    def conflicts(cls, data: Mapping[str, object], text: TomlText) -> Iterable[Mistake]:
        """Numbers used twice, a triangle that does not close, counts beyond the stroke or ends."""
        rows = position_rows(data)
        yield from shared_numbers(rows, text)
        mount = _valid_alone(LinearMount, data.get("mount"))
        ends = _valid_alone(KnownEnds, data.get("ends"))
        if ends is not None:
            yield from ends_apart(ends, mount)
            yield from limits_past_ends(_valid_alone(SoftLimits, data.get("limits")), ends)
        if mount is not None:
            triangle = list(open_triangle(mount))
            yield from triangle or past_stroke(mount, data.get("limits"), rows)

    def warnings(self) -> list[str]:
        """What is allowed but seldom meant."""
        return [
            f"position {row.number} ({row.name}): many positioners hold {MANY_POSITIONS}"
            for row in self.position
            if row.number > MANY_POSITIONS
        ]


Part = TypeVar("Part", bound=Table)


def _valid_alone(model: type[Part], value: object) -> Part | None:
    """A table by itself, or None where it is missing or wrong: that is found elsewhere."""
    try:
        return model.model_validate(value)
    except ValidationError:
        return None


def load_station(path: str | Path) -> Station:
    """The station in a file. Raises YardError with every mistake, one a line."""
    return load_checked(Path(path), Station)
