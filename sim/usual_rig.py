"""A usual rig for a station file that describes none: every figure here is assumed.

Speeds, currents, coast and backlash are common practice. The end switches stand where the file has
the ends, else 10 counts outside the soft limits, which are set 5 to 10 counts inside them (common
practice), else at the ends of the stroke.
"""

from __future__ import annotations

from bridge.errors import YardError
from bridge.station.model import LinearMount, Station
from sim.station_rig import ends_of
from sim.yard import EndsTable, PositionerTable, RigTable, StartTable, Yard, checked_yard

LINEAR_MM_S = 4.0  # mm/s of a linear actuator (common practice: 3-6)
WORM_DEG_S = 1.2  # deg/s of a worm drive (common practice)
SWITCH_BEHIND_LIMIT = 10.0  # counts from a soft limit to the end switch behind it (common practice)
STOP_BEHIND_SWITCH = 10.0  # counts from an end switch to the stop behind it (judgement)
WORM_REACH_DEG = 75.0  # deg either side of noon to which a worm turns (judgement)


def usual_yard(station: Station, where: str = "the station") -> Yard:
    """The station with a usual rig, its list taught. Raises YardError where it has no mount."""
    mount = station.mount
    missing = [key for key in ("mount", "dish") if getattr(station, key) is None]
    if mount is None or missing:
        raise YardError(
            "\n".join(f"{where}: {key}: is missing; a simulated dish needs it" for key in missing)
        )
    if isinstance(mount, LinearMount):
        low, high = 0.0, mount.stroke_mm * mount.counts_per_mm
        rig = RigTable(speed_mm_s=LINEAR_MM_S)
    else:
        reach = WORM_REACH_DEG * mount.counts_per_deg
        low, high = mount.noon_count - reach, mount.noon_count + reach
        rig = RigTable(speed_deg_s=WORM_DEG_S)
    east, west = low, high
    if station.limits is not None:
        east = max(low, station.limits.east - SWITCH_BEHIND_LIMIT)
        west = min(high, station.limits.west + SWITCH_BEHIND_LIMIT)
    known = ends_of(station)
    east, west = known.get("east", east), known.get("west", west)
    yard = Yard(
        **{key: getattr(station, key) for key in ("station", "dish", "mount", "limits")},
        position=station.position,
        positioner=PositionerTable.model_validate(station.positioner.model_dump(exclude_none=True)),
        rig=rig,
        ends=EndsTable(
            east_switch=east,
            west_switch=west,
            east_stop=min(low, east) - STOP_BEHIND_SWITCH,
            west_stop=max(high, west) + STOP_BEHIND_SWITCH,
        ),
        start=StartTable(count=round((east + west) / 2), taught=True),
    )
    return checked_yard(yard, "", where)
