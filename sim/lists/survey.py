"""What a station sees and reaches: look angles, mount settings, counts, and what a count costs.

Hour angles are about the Earth's axis; a modified mount turns up to 0.08 deg less for the same
satellite (computed), about one count of a usual actuator, which is what peaking takes out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import cos, radians
from typing import Literal

from bridge.bus.command import GotoAngle, frame_of
from bridge.errors import BadInput
from bridge.station.model import Position, Station
from sim.rig.linkage import Linkage
from sim.sky.beam import Reflector, main_lobe_db
from sim.sky.belt import (
    LookAngles,
    Obstacle,
    Site,
    half_belt_deg,
    look_angles,
    refraction_deg,
    wrap_longitude,
)
from sim.sky.mount import (
    declination_deg,
    hour_angle_deg,
    modified_mount,
    true_mount,
)
from sim.sky.polarization import residual_tilts_deg, tilts_deg
from sim.station_rig import linkage_of, obstacles_of, reflector_of, site_of, travel_of

FINE_DB = 0.1  # dB that one count may cost before the beam calls for finer counts (judgement)
BISECTED_DEG = 1e-9  # deg of longitude, to which the reach is found (judgement)

EndedBy = Literal["horizon", "soft limit", "stroke"]
Hidden = Literal["horizon", "obstacle"]


@dataclass(frozen=True, slots=True)
class MountPlan:
    """How to set a polar mount here, and the longitudes of the belt that the dish reaches."""

    axis_tilt_deg: float
    declination_offset_deg: float
    modified_axis_tilt_deg: float
    modified_declination_offset_deg: float
    reach_east_deg: float
    reach_west_deg: float
    east_ended_by: EndedBy
    west_ended_by: EndedBy


@dataclass(frozen=True, slots=True)
class Satellite:
    """One satellite over the site; None is not known. Tilts are those of its vertical signals."""

    number: int
    name: str
    longitude_deg: float | None
    azimuth_deg: float | None = None  # None overhead, too
    elevation_deg: float | None = None
    range_km: float | None = None
    hour_angle_deg: float | None = None
    declination_deg: float | None = None
    tilt_deg: float | None = None
    residual_tilt_deg: float | None = None
    goto_angle_hex: str | None = None
    count: int | None = None
    counts_per_deg: float | None = None
    one_db_counts: float | None = None
    one_count_db: float | None = None
    visible: bool | None = None
    hidden_by: Hidden | None = None
    within_limits: bool | None = None
    taught: int | None = None

    @property
    def fine(self) -> bool | None:
        """True when one count is finer than the beam needs."""
        return None if self.one_count_db is None else self.one_count_db <= FINE_DB


@dataclass(frozen=True, slots=True)
class Survey:
    """The plan of a station."""

    mount: MountPlan
    satellites: tuple[Satellite, ...]


@dataclass(frozen=True, slots=True)
class _StationContext:
    """What is the same for every satellite."""

    site: Site
    obstacles: Sequence[Obstacle]
    linkage: Linkage | None
    reflector: Reflector | None
    travel: tuple[float, float] | None
    refracted: bool


def survey(station: Station, *, refracted: bool = False) -> Survey:
    """Everything arithmetic tells of a station; elevations with the air's bending when asked.

    Raises YardError for a linkage or a dish that cannot be.
    """
    context = _StationContext(
        site_of(station),
        obstacles_of(station),
        linkage_of(station),
        reflector_of(station),
        travel_of(station),
        refracted,
    )
    rows = sorted(station.position, key=lambda row: row.number)
    return Survey(_mount(station, context), tuple(_satellite(context, row) for row in rows))


def count_at(linkage: Linkage | None, hour_angle: float) -> float | None:
    """The count that geometry gives an hour angle; None without a linkage or past its ends."""
    try:
        return None if linkage is None else linkage.count(hour_angle)
    except BadInput:
        return None


def _mount(station: Station, context: _StationContext) -> MountPlan:
    true, modified = true_mount(context.site), modified_mount(context.site)
    half = half_belt_deg(context.site)
    east: tuple[float, EndedBy] = (half, "horizon")
    west: tuple[float, EndedBy] = (-half, "horizon")
    if context.travel is not None and context.linkage is not None:
        ender: EndedBy = "soft limit" if station.limits is not None else "stroke"
        first, last = (_ahead_at(context, count, half) for count in context.travel)
        if first is not None:
            east = min(east, (first, ender))
        if last is not None:
            west = max(west, (last, ender))
    home = context.site.longitude_deg
    return MountPlan(
        true.axis_tilt_deg,
        true.declination_offset_deg,
        modified.axis_tilt_deg,
        modified.declination_offset_deg,
        wrap_longitude(home + east[0]),
        wrap_longitude(home + west[0]),
        east[1],
        west[1],
    )


def _ahead_at(context: _StationContext, count: float, half: float) -> float | None:
    """How far east of the site, in longitude, the satellite stands that a count points at."""
    try:
        hour = context.linkage.hour_angle_deg(count) if context.linkage else 0.0
    except BadInput:
        return None
    home = context.site.longitude_deg

    def hour_at(ahead: float) -> float:
        return hour_angle_deg(context.site, wrap_longitude(home + ahead))

    low, high = -half, half  # hour angles fall toward the east
    if not hour_at(high) <= hour <= hour_at(low):
        return None
    while high - low > BISECTED_DEG:
        middle = (low + high) / 2.0
        if hour_at(middle) < hour:
            high = middle
        else:
            low = middle
    return low


def _look(context: _StationContext, longitude: float) -> LookAngles:
    look = look_angles(context.site, longitude)
    if not context.refracted:
        return look
    bent = refraction_deg(look.elevation_deg, context.site.height_m)
    return replace(look, elevation_deg=look.elevation_deg + bent)


def _satellite(context: _StationContext, row: Position) -> Satellite:
    if row.longitude_deg is None:
        return Satellite(row.number, row.name, None, taught=row.count)
    site, longitude = context.site, row.longitude_deg
    look = _look(context, longitude)
    hidden: Hidden | None = None
    if look.elevation_deg < 0.0:
        hidden = "horizon"
    elif any(obstacle.hides(look) for obstacle in context.obstacles):
        hidden = "obstacle"
    hour, declination = hour_angle_deg(site, longitude), declination_deg(site, longitude)
    exact = count_at(context.linkage, hour)
    count = None if exact is None else round(exact)
    per_deg = None
    if exact is not None and context.linkage is not None:
        per_deg = context.linkage.counts_per_deg(hour)
    costs = _pointing_costs(context.reflector, per_deg, declination)
    inside = None
    if context.travel is not None and context.linkage is not None:
        inside = count is not None and context.travel[0] <= count <= context.travel[1]
    return Satellite(
        number=row.number,
        name=row.name,
        longitude_deg=longitude,
        azimuth_deg=look.azimuth_deg,
        elevation_deg=look.elevation_deg,
        range_km=look.range_km,
        hour_angle_deg=hour,
        declination_deg=declination,
        tilt_deg=tilts_deg(site, longitude).vertical_deg,
        residual_tilt_deg=residual_tilts_deg(site, modified_mount(site), longitude).vertical_deg,
        goto_angle_hex=frame_of(GotoAngle("east" if hour < 0 else "west", abs(hour))).hex,
        count=count,
        counts_per_deg=per_deg,
        one_db_counts=costs[0],
        one_count_db=costs[1],
        visible=hidden is None,
        hidden_by=hidden,
        within_limits=inside,
        taught=row.count,
    )


def _pointing_costs(
    reflector: Reflector | None, per_deg: float | None, declination: float
) -> tuple[float | None, float | None]:
    """Counts that cost 1 dB, and dB that one count costs; the beam turns on a cone."""
    if reflector is None or not per_deg:
        return None, None
    beam_deg_per_count = cos(radians(declination)) / per_deg
    lost = main_lobe_db(beam_deg_per_count, reflector.beamwidth_deg)
    return reflector.off_axis_deg(1.0) / beam_deg_per_count, -lost
