"""The station file: the site, the dish, its mount, its limits and its positions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Annotated, Literal, TypeVar

from pydantic import AfterValidator, Field, ValidationError, model_validator

from bridge.textfile.checked import Mistake, Table, parse_checked, read_text
from bridge.textfile.mistakes import Source
from bridge.textfile.syntax_errors import MARK
from bridge.trade import MANY_POSITIONS

LAST_LATITUDE_DEG = 81.33  # deg, farther from the equator the belt is set (computed, WGS-84)
STROKE_SLACK_MM = 5.0  # mm that a stroke and a retracted length by tape are off (judgement)
MOST_COUNTS = 1_000_000  # counts, far beyond any actuator's


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
    if abs(value) > MOST_COUNTS:
        raise ValueError(
            f"{value} is beyond any actuator, {-MOST_COUNTS} to {MOST_COUNTS} counts; correct it"
        )
    return value


def _plain(value: str) -> str:
    if not value.isprintable():
        raise ValueError(f"{value!r} holds a control character; write it on one line")
    return value


Number = Annotated[float, Field(strict=True)]  # neither true nor a number between quotes
Whole = Annotated[int, Field(strict=True)]
Count = Annotated[int, Field(strict=True), AfterValidator(_countable)]
Text = Annotated[str, AfterValidator(_plain)]
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


class Obstacle(Table):
    """Sky hidden from one azimuth clockwise to another, up to an elevation, in degrees."""

    azimuth_deg: tuple[Degrees360, Degrees360]
    elevation_deg: Number = Field(ge=0, le=90, description="0 is level, 90 straight up")

    @model_validator(mode="after")
    def _has_width(self) -> Obstacle:
        if self.azimuth_deg[0] == self.azimuth_deg[1]:
            raise ValueError(
                f"azimuth_deg has no width, both edges are {self.azimuth_deg[0]:g} deg; give both"
                " edges, clockwise (350 to 10 wraps north), or 0 and 360 for all round"
            )
        return self


class Site(Table):
    """Where the dish stands; longitude east positive."""

    name: Text = "unnamed station"
    latitude_deg: Latitude
    longitude_deg: Longitude
    height_m: Number = Field(default=0.0, ge=-500, le=9000, description="metres above the sea")
    obstacles: tuple[Obstacle, ...] = ()


class Reflector(Table):
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

    station: Site
    dish: Reflector | None = None
    mount: Annotated[LinearMount | WormMount, Field(discriminator="kind")] | None = None
    limits: SoftLimits | None = None
    ends: KnownEnds | None = None
    positioner: Controller = Controller()
    position: tuple[Position, ...] = ()

    @classmethod
    def conflicts(cls, data: Mapping[str, object], source: Source) -> Iterable[Mistake]:
        """Numbers used twice, a triangle that does not close, counts beyond the stroke or ends."""
        rows = _rows(data)
        yield from _shared_numbers(rows, source)
        ends = _alone(KnownEnds, data.get("ends"))
        if ends is not None:
            yield from _ends_apart(ends, _alone(LinearMount, data.get("mount")))
            yield from _outside(ends, _alone(SoftLimits, data.get("limits")))
        mount = _alone(LinearMount, data.get("mount"))
        if mount is not None:
            triangle = list(_triangle(mount))
            yield from triangle or _beyond(mount, data.get("limits"), rows)

    def warnings(self) -> list[str]:
        """What is allowed but seldom meant."""
        return [
            f"position {row.number} ({row.name}): many positioners hold {MANY_POSITIONS}"
            for row in self.position
            if row.number > MANY_POSITIONS
        ]


Row = Mapping[str, object]
Part = TypeVar("Part", bound=Table)


def _rows(data: Mapping[str, object]) -> list[tuple[int, Row]]:
    rows = data.get("position")
    if not isinstance(rows, list):
        return []
    return [(index, row) for index, row in enumerate(rows) if isinstance(row, Mapping)]


def _alone(model: type[Part], value: object) -> Part | None:
    """A table by itself, or None where it is missing or wrong, which is told elsewhere."""
    try:
        return model.model_validate(value)
    except ValidationError:
        return None


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _name(row: Row, otherwise: str) -> str:
    name = row.get("name", MARK)
    return otherwise if name == MARK else str(name)


def _shared_numbers(rows: list[tuple[int, Row]], source: Source) -> Iterator[Mistake]:
    first: dict[object, tuple[int, Row]] = {}
    for index, row in rows:
        number = row.get("number")
        if not _is_whole(number):
            continue
        if number not in first:
            first[number] = (index, row)
            continue
        path, other = ("position", index, "number"), ("position", first[number][0], "number")
        yield Mistake(
            path,
            f"{number} is the number of {_name(first[number][1], 'one position')} on line"
            f" {source.line(other)} and of {_name(row, 'another')} on line"
            f" {source.line(path)}; give each its own",
            "duplicate number",
        )


def _triangle(mount: LinearMount) -> Iterator[Mistake]:
    """The triangle of the two pivots and the actuator has to close at both ends of the stroke."""
    short = abs(mount.frame_pivot_mm - mount.dish_pivot_mm)
    long = mount.frame_pivot_mm + mount.dish_pivot_mm
    ends = (
        ("retracted_mm", "in", mount.retracted_mm),
        ("stroke_mm", "out", mount.retracted_mm + mount.stroke_mm),
    )
    for key, state, length in ends:
        if not short < length < long:
            yield Mistake(
                ("mount", key),
                f"with the actuator {state} it is {length:g} mm long, but pivots"
                f" {mount.frame_pivot_mm:g} and {mount.dish_pivot_mm:g} mm from the axis close a"
                f" triangle only from {short:g} to {long:g} mm; measure them again",
                "triangle",
            )


def _ends_apart(ends: KnownEnds, mount: LinearMount | None) -> Iterator[Mistake]:
    """The ends in order, and no farther apart than the stroke is long."""
    east, west = ends.east, ends.west
    if east is None or west is None:
        return
    if east >= west:
        says = f"{east} is not below the west end {west}; counts grow west, so swap them"
        yield Mistake(("ends", "east"), says, "ends")
    elif mount is not None and west - east > mount.stroke_counts + _slack(mount):
        yield Mistake(
            ("ends", "west"),
            f"the ends {east} and {west} are {west - east} counts apart, farther than the stroke"
            f" of {mount.stroke_counts:.0f}; read both ends again, or correct stroke_mm and"
            " counts_per_mm",
            "ends",
        )


def _outside(ends: KnownEnds, limits: SoftLimits | None) -> Iterator[Mistake]:
    """Soft limits lie inside the ends, or they limit nothing."""
    if limits is None:
        return
    if ends.east is not None and limits.east <= ends.east:
        yield Mistake(("limits", "east"), _not_inside("east", limits.east, ends.east), "ends")
    if ends.west is not None and limits.west >= ends.west:
        yield Mistake(("limits", "west"), _not_inside("west", limits.west, ends.west), "ends")


def _not_inside(side: str, limit: int, end: int) -> str:
    way = ("over", "toward the west") if side == "east" else ("under", "toward the east")
    return (
        f"{limit} is not inside the {side} end, which read {end}; set it {way[0]} {end},"
        f" some counts {way[1]}, or correct [ends]"
    )


def _slack(mount: LinearMount) -> float:
    return STROKE_SLACK_MM * mount.counts_per_mm


def _beyond(mount: LinearMount, limits: object, rows: list[tuple[int, Row]]) -> Iterator[Mistake]:
    slack = _slack(mount)
    most = round(mount.stroke_counts)
    held = f"is beyond the stroke, 0 to {most} counts"
    checked: list[tuple[tuple[str | int, ...], object, str]] = []
    if isinstance(limits, Mapping):
        checked += [(("limits", side), limits.get(side), "") for side in ("east", "west")]
    checked += [
        (("position", index, "count"), row.get("count"), f" of {_name(row, 'this position')}")
        for index, row in rows
    ]
    for path, count, whose in checked:
        if isinstance(count, int) and _is_whole(count) and not -slack <= count <= most + slack:
            advice = "set it again inside" if path[0] == "limits" else "teach it again"
            says = f"count {count}{whose} {held}; {advice}, or correct stroke_mm and counts_per_mm"
            yield Mistake(path, says, "stroke")


def load_station(path: str | Path) -> Station:
    """The station in a file. Raises YardError with every mistake, one a line."""
    where = Path(path)
    return parse_checked(read_text(where), str(path), Station)
