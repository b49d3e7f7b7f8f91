"""What cannot be true together in a station file, although each value is right by itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, TypeGuard

from bridge.textfile.mistakes import Mistake, TomlText
from bridge.textfile.places import KeyPath
from bridge.textfile.syntax_errors import UNREADABLE

if TYPE_CHECKING:
    from bridge.station.model import KnownEnds, LinearMount, SoftLimits

STROKE_SLACK_MM = 5.0  # mm that a stroke and a retracted length by tape are off (judgement)

Row = Mapping[str, object]


def position_rows(data: Mapping[str, object]) -> list[tuple[int, Row]]:
    """The entries of `[[position]]` that are tables, each with its index."""
    rows = data.get("position")
    if not isinstance(rows, list):
        return []
    return [(index, row) for index, row in enumerate(rows) if isinstance(row, Mapping)]


def _is_whole(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _name(row: Row, otherwise: str) -> str:
    name = row.get("name", UNREADABLE)
    return otherwise if name == UNREADABLE else str(name)


def shared_numbers(rows: list[tuple[int, Row]], text: TomlText) -> Iterator[Mistake]:
    """Each number belongs to one position."""
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
            f" {text.line(other)} and of {_name(row, 'another')} on line"
            f" {text.line(path)}; give each its own",
            "duplicate number",
        )


def open_triangle(mount: LinearMount) -> Iterator[Mistake]:
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


def ends_apart(ends: KnownEnds, mount: LinearMount | None) -> Iterator[Mistake]:
    """The ends in order, and no farther apart than the stroke is long."""
    east, west = ends.east, ends.west
    if east is None or west is None:
        return
    if east >= west:
        message = f"{east} is not below the west end {west}; counts grow west, so swap them"
        yield Mistake(("ends", "east"), message, "ends")
    elif mount is not None and west - east > mount.stroke_counts + _slack(mount):
        yield Mistake(
            ("ends", "west"),
            f"the ends {east} and {west} are {west - east} counts apart, farther than the stroke"
            f" of {mount.stroke_counts:.0f}; read both ends again, or correct stroke_mm and"
            " counts_per_mm",
            "ends",
        )


def limits_past_ends(limits: SoftLimits | None, ends: KnownEnds) -> Iterator[Mistake]:
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


def past_stroke(
    mount: LinearMount, limits: object, rows: list[tuple[int, Row]]
) -> Iterator[Mistake]:
    """Limits and taught counts lie within the stroke, give or take what a tape is off."""
    slack = _slack(mount)
    most = round(mount.stroke_counts)
    counts: list[tuple[KeyPath, object, str]] = []
    if isinstance(limits, Mapping):
        counts += [(("limits", side), limits.get(side), "") for side in ("east", "west")]
    counts += [
        (("position", index, "count"), row.get("count"), f" of {_name(row, 'this position')}")
        for index, row in rows
    ]
    for path, count, whose in counts:
        if _is_whole(count) and not -slack <= count <= most + slack:
            advice = "set it again inside" if path[0] == "limits" else "teach it again"
            yield Mistake(
                path,
                f"count {count}{whose} is beyond the stroke, 0 to {most} counts; {advice}, or"
                " correct stroke_mm and counts_per_mm",
                "stroke",
            )
