"""What a station reaches and what hides its satellites."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import YardError
from bridge.station.model import (
    LinearMount,
    Position,
    ReflectorTable,
    SiteTable,
    SoftLimits,
    Station,
    WormMount,
)
from sim.lists.survey import FINE_DB, survey
from sim.sky.belt import look_angles
from sim.sky.mount import hour_angle_deg
from sim.station_rig import linkage_of, site_of

MOUNT = LinearMount(
    kind="linear",
    frame_pivot_mm=520,
    dish_pivot_mm=430,
    retracted_mm=350,
    stroke_mm=560,
    counts_per_mm=1.88976,
)


def station(*longitudes: float, **tables: object) -> Station:
    rows = [
        Position(number=n, name=f"place {n}", longitude_deg=longitude)
        for n, longitude in enumerate(longitudes, 1)
    ]
    whole = {"station": SiteTable(latitude_deg=44.6, longitude_deg=3.9), "position": tuple(rows)}
    return Station.model_validate({**whole, **tables})


def test_the_demo_yard_as_its_owner_tells_it() -> None:
    """Larkmere: Alder 94, Rowan 942; 13.9 counts a degree in the east, 7.0 in the west."""
    dish = ReflectorTable(diameter_m=1.2)
    east, west = survey(station(41.2, -28.7, mount=MOUNT, dish=dish)).satellites
    assert (east.count, west.count) == (94, 942)
    assert east.counts_per_deg == pytest.approx(13.9, abs=0.06)
    assert west.counts_per_deg == pytest.approx(7.0, abs=0.06)
    assert (round(east.one_db_counts or 0), round(west.one_db_counts or 0)) == (6, 3)
    assert (east.fine, west.fine) == (True, False)
    assert east.one_count_db is not None
    assert east.one_count_db < FINE_DB


def test_what_hides_a_satellite() -> None:
    site = {"latitude_deg": 44.6, "longitude_deg": 3.9}
    site["obstacles"] = [{"azimuth_deg": [209, 212], "elevation_deg": 35}]  # type: ignore[assignment]
    rows = survey(station(-18.6, -13.1, -120.0, station=site)).satellites
    assert [row.hidden_by for row in rows] == ["obstacle", None, "horizon"]
    assert [row.visible for row in rows] == [False, True, False]


def test_an_obstacle_that_wraps_north_hides_on_both_sides() -> None:
    south = {"latitude_deg": -44.6, "longitude_deg": 3.9}
    wrapped = [{"azimuth_deg": [350, 10], "elevation_deg": 80}]
    rows = survey(station(5.0, 2.0, 30.0, station={**south, "obstacles": wrapped})).satellites
    assert [row.hidden_by for row in rows] == ["obstacle", "obstacle", None]


def test_reach_is_what_ends_first() -> None:
    bare = survey(station()).mount
    assert (bare.east_ended_by, bare.west_ended_by) == ("horizon", "horizon")
    stroke = survey(station(mount=MOUNT)).mount
    assert (stroke.east_ended_by, stroke.west_ended_by) == ("stroke", "stroke")
    assert stroke.reach_east_deg < bare.reach_east_deg
    tight = survey(station(mount=MOUNT, limits=SoftLimits(east=45, west=985))).mount
    assert tight.east_ended_by == "soft limit"
    assert tight.reach_east_deg < stroke.reach_east_deg
    assert tight.reach_west_deg > stroke.reach_west_deg
    wide = WormMount(kind="worm", counts_per_deg=10, noon_count=0)
    limits = SoftLimits(east=-2000, west=100)
    loose = survey(station(mount=wide, limits=limits)).mount
    assert (loose.east_ended_by, loose.west_ended_by) == ("horizon", "soft limit")


@given(
    st.floats(-75, 75),
    st.floats(-180, 180),
    st.floats(2, 40),
    st.integers(-700, -1),
    st.integers(1, 700),
)
def test_just_inside_the_reach_is_within_limits(
    latitude: float, longitude: float, scale: float, east: int, west: int
) -> None:
    tables = {
        "station": SiteTable(latitude_deg=latitude, longitude_deg=longitude),
        "mount": WormMount(kind="worm", counts_per_deg=scale, noon_count=0),
        "limits": SoftLimits(east=east, west=west),
    }
    mount = survey(station(**tables)).mount
    site = site_of(station(**tables))
    for edge, ended_by, limit in (
        (mount.reach_east_deg, mount.east_ended_by, east),
        (mount.reach_west_deg, mount.west_ended_by, west),
    ):
        if ended_by == "horizon":
            assert look_angles(site, edge).elevation_deg == pytest.approx(0.0, abs=1e-6)
            assert east <= scale * hour_angle_deg(site, edge) <= west
        else:
            assert scale * hour_angle_deg(site, edge) == pytest.approx(limit, abs=1e-5)
            assert look_angles(site, edge).elevation_deg >= -1e-6


def test_what_is_not_known_is_none() -> None:
    bare = Position(number=9, name="no longitude", count=12)
    row = survey(station(position=(bare,))).satellites[0]
    assert (row.longitude_deg, row.azimuth_deg, row.visible, row.taught) == (None, None, None, 12)
    plain = survey(station(4.3)).satellites[0]
    assert (plain.count, plain.counts_per_deg, plain.one_db_counts) == (None, None, None)
    assert (plain.within_limits, plain.fine) == (None, None)
    far = survey(station(-178.0, mount=MOUNT)).satellites[0]
    assert (far.count, far.within_limits) == (None, False)


def test_overhead_there_is_no_azimuth() -> None:
    row = survey(station(36.8, station={"latitude_deg": 0, "longitude_deg": 36.8})).satellites[0]
    assert row.azimuth_deg is None
    assert row.elevation_deg == pytest.approx(90.0)
    assert row.goto_angle_hex == "E0 31 6E D0 00"


def test_refraction_only_when_asked() -> None:
    low = station(72.0)
    plain, bent = survey(low).satellites[0], survey(low, refracted=True).satellites[0]
    assert plain.elevation_deg is not None
    assert bent.elevation_deg is not None
    assert 0.05 < bent.elevation_deg - plain.elevation_deg < 0.6


def test_a_dead_centre_is_refused() -> None:
    mount = MOUNT.model_copy(update={"retracted_mm": 90.01})
    with pytest.raises(YardError, match="dead centre"):
        linkage_of(station(mount=mount))


def test_planning_needs_no_heavy_library() -> None:
    code = (
        "import sys, json; import sim.lists.survey; heavy = ('numpy', 'matplotlib', 'tomlkit');"
        "print(json.dumps([name for name in heavy if name in sys.modules]))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(out.stdout) == []
