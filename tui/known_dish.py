"""What is known of a dish before it moves: its list, the counts by geometry, its hemisphere."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.helm.snapshot import Hemisphere, PositionRow
from bridge.station.model import Station
from sim.lists.survey import count_at
from sim.rig.linkage import LinearLinkage, Linkage
from sim.sky.belt import Site
from sim.sky.mount import hour_angle_deg
from sim.station_rig import linkage_of, site_of

UNKNOWN_SPAN = (0, 1000)  # counts drawn where nothing is known of the travel (judgement)
MARGIN_COUNTS = 50  # counts drawn beyond the outermost position known (judgement)


@dataclass(frozen=True, slots=True)
class KnownDish:
    """What the console shows of a dish beforehand: the list, the counts to draw, the hemisphere."""

    name: str
    rows: tuple[PositionRow, ...] = ()
    span: tuple[int, int] = UNKNOWN_SPAN
    hemisphere: Hemisphere = "north"


def _geometric_count(
    site: Site, linkage: Linkage | None, longitude_deg: float | None
) -> int | None:
    """The count at which geometry puts a satellite; None beyond the reach of the linkage."""
    if longitude_deg is None:
        return None
    count = count_at(linkage, hour_angle_deg(site, longitude_deg))
    return None if count is None else round(count)


def known_dish(station: Station) -> KnownDish:
    """What a station file says of its dish."""
    where = station.station
    site = site_of(station)
    linkage = linkage_of(station)
    rows = tuple(
        PositionRow(
            row.number,
            row.name,
            row.longitude_deg,
            row.count,
            _geometric_count(site, linkage, row.longitude_deg),
        )
        for row in station.position
    )
    known = [n for row in rows for n in (row.count, row.predicted) if n is not None]
    span = UNKNOWN_SPAN
    if isinstance(linkage, LinearLinkage):
        span = (0, round(linkage.stroke_counts))
    elif known:
        span = (min(known) - MARGIN_COUNTS, max(known) + MARGIN_COUNTS)
    return KnownDish(where.name, rows, span, "north" if where.latitude_deg >= 0 else "south")
