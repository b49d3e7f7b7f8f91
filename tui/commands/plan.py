"""`arcstep plan`: every satellite of a station, where it stands and what it takes to reach it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import asdict
from json import dumps
from pathlib import Path

from bridge.station.model import Station, load_station
from sim.lists.survey import FINE_DB, MountPlan, Satellite, Survey, survey
from tui.text_table import Column, number, room, side, table, widened

DIGITS = 7  # decimals of degrees and counts in JSON, finer than look angles are true (judgement)

SATELLITE_KEYS = (
    "number",
    "name",
    "longitude_deg",
    "azimuth_deg",
    "elevation_deg",
    "range_km",
    "hour_angle_deg",
    "declination_deg",
    "tilt_deg",
    "residual_tilt_deg",
    "goto_angle_hex",
    "count",
    "counts_per_deg",
    "one_db_counts",
    "visible",
    "hidden_by",
    "within_limits",
)
MOUNT_KEYS = (
    "axis_tilt_deg",
    "declination_offset_deg",
    "modified_axis_tilt_deg",
    "modified_declination_offset_deg",
    "reach_east_deg",
    "reach_west_deg",
)

LOOK = (
    Column("no", 3),
    Column("name", 12, right=False),
    Column("sat", 6),
    Column("azimuth", 7),
    Column("elev", 5),
    Column("range", 6),
    Column("hour", 6),
    Column("decl", 6),
    Column("tilt", 6),
    Column("left", 5),
    Column("seen", 8, right=False),
)
LOOK_LEGEND = """\
azimuth clockwise from true north; range in km; hour: turn of the polar axis
from noon, E east, W west; decl: south negative; tilt of vertical polarization
and what a modified mount leaves of it, clockwise positive seen from behind"""
DRIVE = (
    Column("no", 3),
    Column("name", 11, right=False),
    Column("sat", 6),
    Column("count", 5),
    Column("taught", 6),
    Column("off", 4),
    Column("/deg", 5),
    Column("1 dB", 5),
    Column("1 count", 7),
    Column("grain", 6, right=False),
    Column("angle", 5),
    Column("reach", 6, right=False),
)
DRIVE_LEGEND = f"""\
count by geometry, growing west, for an axis set true (a modified one peaks up
to 0.08 deg nearer to noon); off: taught minus count; /deg: counts a degree;
1 dB: counts that cost 1 dB; 1 count: dB that one count costs; grain: fine up
to {FINE_DB:g} dB, where one count is finer than the beam needs;
angle: data bytes of E0 31 6E .. .., for a receiver that computes for itself"""


def _json(kind: str, row: MountPlan | Satellite, keys: tuple[str, ...]) -> str:
    values = asdict(row)
    pairs = {key: values[key] for key in keys}
    short = {k: round(v, DIGITS) if isinstance(v, float) else v for k, v in pairs.items()}
    return dumps({"kind": kind, **short}, ensure_ascii=False)


def json_lines(plan: Survey) -> Iterator[str]:
    """One object for the mount, then one for each satellite."""
    yield _json("mount", plan.mount, MOUNT_KEYS)
    for row in plan.satellites:
        yield _json("satellite", row, SATELLITE_KEYS)


def text_lines(station: Station, plan: Survey) -> Iterator[str]:
    """The plan as tables that fit 80 columns; longer names where the terminal has room."""
    yield from _head(station, plan.mount)
    if not plan.satellites:
        yield "the file lists no positions yet: add [[position]] tables"
        return
    names, cells = [row.name for row in plan.satellites], room()
    yield ""
    yield from table(widened(LOOK, names, cells), [_look_cells(row) for row in plan.satellites])
    yield LOOK_LEGEND
    yield ""
    yield from table(widened(DRIVE, names, cells), [_drive_cells(row) for row in plan.satellites])
    yield DRIVE_LEGEND
    missing = [
        f"no [{name}], so no {what}"
        for name, there, what in (
            ("mount", station.mount, "counts"),
            ("dish", station.dish, "dB"),
            ("limits", station.limits, "soft limits: reach is that of the belt or the stroke"),
        )
        if there is None
    ]
    yield from missing


def _head(station: Station, mount: MountPlan) -> Iterator[str]:
    here = station.station
    name = "".join(c if c.isprintable() else "?" for c in here.name)
    north = f"{abs(here.latitude_deg):.4f}{'S' if here.latitude_deg < 0 else 'N'}"
    yield f"{name}: {north} {side(here.longitude_deg, 4)}, {here.height_m:g} m"
    yield ""
    yield "mount      axis tilt  declination offset"
    yield (
        f"true       {mount.axis_tilt_deg:9.3f}  {mount.declination_offset_deg:18.3f}"
        "   axis parallel to the Earth's"
    )
    yield (
        f"modified   {mount.modified_axis_tilt_deg:9.3f}"
        f"  {mount.modified_declination_offset_deg:18.3f}   follows the belt to 0.01 deg"
    )
    yield (
        f"reach      {side(mount.reach_east_deg)} ({mount.east_ended_by})"
        f" to {side(mount.reach_west_deg)} ({mount.west_ended_by})"
    )


def _look_cells(row: Satellite) -> list[str]:
    start = [str(row.number), row.name]
    if row.longitude_deg is None:
        return [*start, *["-"] * 8, "unknown"]
    hour = row.hour_angle_deg or 0.0
    overhead = "any" if row.azimuth_deg is None else number(row.azimuth_deg, 2)
    return [
        *start,
        side(row.longitude_deg),
        overhead,
        number(row.elevation_deg, 2 if (row.elevation_deg or 0.0) > -10 else 1),
        number(row.range_km, 0),
        side(-hour, 2 if abs(hour) < 100 else 1),
        number(row.declination_deg, 2, sign=True),
        number(row.tilt_deg, 1, sign=True),
        number(row.residual_tilt_deg, 2, sign=True),
        row.hidden_by or "yes",
    ]


def _drive_cells(row: Satellite) -> list[str]:
    start = [str(row.number), row.name]
    off = None if row.count is None or row.taught is None else row.taught - row.count
    grain = {None: "-", True: "fine", False: "coarse"}[row.fine]
    reach = {None: "-", True: "yes", False: "beyond"}[row.within_limits]
    return [
        *start,
        "-" if row.longitude_deg is None else side(row.longitude_deg),
        number(row.count, 0),
        number(row.taught, 0),
        number(off, 0, sign=True),
        number(row.counts_per_deg, 1),
        number(row.one_db_counts, 1),
        number(row.one_count_db, 3),
        grain,
        "-" if row.goto_angle_hex is None else row.goto_angle_hex[-5:],
        reach,
    ]


def run(
    station: Path, *, json: bool = False, plot: Path | None = None, refracted: bool = False
) -> int:
    """Print the plan of a station file, and draw it; `refracted` adds the air. Returns 0."""
    loaded = load_station(station)
    plan = survey(loaded, refracted=refracted)
    for warning in loaded.warnings():
        print(f"arcstep: {station}: {warning}", file=sys.stderr)
    if plot is not None:
        from tui.pictures.belt import draw_plan  # noqa: PLC0415 - only a picture needs it

        draw_plan(loaded, plan, plot)
    for line in json_lines(plan) if json else text_lines(loaded, plan):
        print(line)
    if plot is not None:
        print(f"arcstep: picture written to {plot}", file=sys.stderr)
    return 0
