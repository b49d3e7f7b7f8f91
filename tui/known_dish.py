"""What is known of a dish before it moves: its list, its predicted counts, its side of the sky."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.errors import YardError
from bridge.helm.snapshot import Hemisphere, PositionRow
from bridge.station.model import Station
from sim.rig.linkage import LinearLinkage, Linkage
from sim.sky.belt import Site
from sim.sky.mount import hour_angle_deg
from sim.station_rig import linkage_of, site_of

UNKNOWN_SPAN = (0, 1000)  # counts drawn where nothing is known of the travel


@dataclass(frozen=True, slots=True)
class Setting:
    """The console's surroundings: rows of the list, counts to draw, and the hemisphere."""

    name: str
    rows: tuple[PositionRow, ...] = ()
    span: tuple[int, int] = UNKNOWN_SPAN
    hemisphere: Hemisphere = "north"


def _predict(site: Site, linkage: Linkage | None, longitude_deg: float | None) -> int | None:
    """The count at which geometry puts a satellite; None beyond the reach of the linkage."""
    if linkage is None or longitude_deg is None:
        return None
    try:
        return round(linkage.count(hour_angle_deg(site, longitude_deg)))
    except YardError:
        return None


def setting_of(station: Station) -> Setting:
    """The surroundings that a station file gives."""
    where = station.station
    site = site_of(station)
    linkage = linkage_of(station)
    rows = tuple(
        PositionRow(
            row.number,
            row.name,
            row.longitude_deg,
            row.count,
            _predict(site, linkage, row.longitude_deg),
        )
        for row in station.position
    )
    known = [n for row in rows for n in (row.count, row.predicted) if n is not None]
    span = UNKNOWN_SPAN
    if isinstance(linkage, LinearLinkage):
        span = (0, round(linkage.stroke_counts))
    elif known:
        span = (min(known) - 50, max(known) + 50)
    return Setting(where.name, rows, span, "north" if where.latitude_deg >= 0 else "south")
