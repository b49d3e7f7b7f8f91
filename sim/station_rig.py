"""A station's tables as the sky and the rig take them."""

from __future__ import annotations

from bridge.station.model import KnownEnds, LinearMount, Station
from sim.rig.linkage import LinearLinkage, Linkage, WormLinkage
from sim.sky.beam import Reflector
from sim.sky.belt import Obstacle, Site


def site_of(station: Station) -> Site:
    """The place on the ground. Raises YardError where it cannot be one."""
    here = station.station
    return Site(here.latitude_deg, here.longitude_deg, here.height_m)


def obstacles_of(station: Station) -> tuple[Obstacle, ...]:
    """The obstacle mask, sector by sector."""
    rows = station.station.obstacles
    return tuple(Obstacle(*row.azimuth_deg, row.elevation_deg) for row in rows)


def reflector_of(station: Station) -> Reflector | None:
    """The dish; None where the file has none. Raises YardError for one too small for a beam."""
    dish = station.dish
    return None if dish is None else Reflector(dish.diameter_m, dish.frequency_ghz)


def linkage_of(station: Station) -> Linkage | None:
    """The linkage that the mount describes; None without one. Raises YardError at a dead centre."""
    mount = station.mount
    if mount is None:
        return None
    if isinstance(mount, LinearMount):
        return LinearLinkage(
            mount.frame_pivot_mm,
            mount.dish_pivot_mm,
            mount.retracted_mm,
            mount.stroke_mm,
            mount.counts_per_mm,
            mount.noon_angle_deg,
        )
    return WormLinkage(mount.counts_per_deg, mount.noon_count)


def ends_of(station: Station) -> dict[str, int]:
    """What the counter read at the ends, by side, as far as the file tells."""
    ends = station.ends
    if not isinstance(ends, KnownEnds):  # a yard's are those of its rig
        return {}
    sides = {"east": ends.east, "west": ends.west}
    return {side: count for side, count in sides.items() if count is not None}


def travel_of(station: Station) -> tuple[float, float] | None:
    """Counts between which the dish can be driven: soft limits, else known ends, else stroke."""
    if station.limits is not None:
        return station.limits.east, station.limits.west
    ends: dict[str, float] = dict(ends_of(station))
    if isinstance(station.mount, LinearMount):
        ends = {"east": 0.0, "west": station.mount.stroke_counts} | ends
    return (ends["east"], ends["west"]) if len(ends) == 2 else None
