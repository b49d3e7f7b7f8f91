"""The mount: what it points at, its errors, and the mirror of the hemispheres."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.sky.belt import Site, half_belt_deg, look_angles
from sim.sky.mount import (
    Mount,
    declination_deg,
    hour_angle_deg,
    modified_mount,
    true_mount,
)
from sim.sky.polarization import residual_tilts_deg, tilts_deg

Direction = tuple[float, float, float]

latitudes = st.floats(-75, 75)


def apart_deg(a: Direction, b: Direction) -> float:
    """Angle between two directions."""
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(a, b))), float(np.dot(a, b))))


mounts = st.builds(
    Mount,
    axis_tilt_deg=st.floats(0, 85),
    declination_offset_deg=st.floats(-5, 10),
    southern=st.booleans(),
    twist_deg=st.floats(-10, 10),
    lean_deg=st.floats(-10, 10),
)


@given(mounts, st.floats(-179, 179))
def test_aiming_where_it_points_finds_the_same_hour_angle(mount: Mount, hour: float) -> None:
    aim = mount.aim(mount.point(hour))
    assert aim.hour_angle_deg == pytest.approx(hour, abs=1e-9)
    assert aim.cross_arc_deg == pytest.approx(0.0, abs=1e-9)


@given(mounts)
def test_the_axes_are_square(mount: Mount) -> None:
    axis, noon, west = mount.axes
    for a, b in ((axis, noon), (noon, west), (west, axis)):
        assert apart_deg(a, b) == pytest.approx(90.0, abs=1e-9)
    assert all(math.hypot(*v) == pytest.approx(1.0, abs=1e-12) for v in (axis, noon, west))


@given(mounts, st.floats(-90, 90), st.floats(-90, 90), st.floats(-3, 3))
def test_the_aim_is_the_nearest(mount: Mount, hour: float, off: float, push: float) -> None:
    direction = replace(mount, declination_offset_deg=off / 3).point(hour)
    aim = mount.aim(direction)
    best = apart_deg(mount.point(aim.hour_angle_deg), direction)
    assert best == pytest.approx(abs(aim.cross_arc_deg), abs=1e-9)
    assert apart_deg(mount.point(aim.hour_angle_deg + push), direction) >= best - 1e-9


@given(latitudes, st.floats(-1, 1))
def test_a_true_mount_turns_by_the_hour_angle(latitude: float, share: float) -> None:
    site = Site(latitude, 12.0)
    satellite = 12.0 + share * half_belt_deg(site)
    aim = true_mount(site).aim(site.to_satellite(satellite))
    assert aim.hour_angle_deg == pytest.approx(hour_angle_deg(site, satellite), abs=1e-9)


@given(latitudes, st.floats(-1, 1))
def test_the_south_mirrors_the_north(latitude: float, share: float) -> None:
    north, south = Site(latitude, -30.0), Site(-latitude, -30.0)
    satellite = -30.0 + share * half_belt_deg(north)
    hour = hour_angle_deg(north, satellite)
    assert hour_angle_deg(south, satellite) == pytest.approx(hour, abs=1e-9)
    assert declination_deg(south, satellite) == pytest.approx(
        -declination_deg(north, satellite), abs=1e-9
    )
    for build in (true_mount, modified_mount):
        a = build(north).aim(north.to_satellite(satellite))
        b = build(south).aim(south.to_satellite(satellite))
        assert b == pytest.approx(a, abs=1e-9)
    if abs(latitude) > 0.1:
        assert tilts_deg(south, satellite) == pytest.approx(
            tuple(-t for t in tilts_deg(north, satellite)), abs=1e-6
        )


@given(latitudes, st.floats(0.001, 1))
def test_west_is_positive_and_east_mirrors_it(latitude: float, share: float) -> None:
    site = Site(latitude, 0.0)
    away = share * half_belt_deg(site)
    assert hour_angle_deg(site, -away) > 0
    assert hour_angle_deg(site, away) == pytest.approx(-hour_angle_deg(site, -away), abs=1e-9)
    assert declination_deg(site, away) == pytest.approx(declination_deg(site, -away), abs=1e-9)


@given(latitudes, st.floats(-0.99, 0.98))
def test_hour_angles_follow_the_belt(latitude: float, share: float) -> None:
    site = Site(latitude, 0.0)
    half = half_belt_deg(site)
    assert hour_angle_deg(site, (share + 0.01) * half) < hour_angle_deg(site, share * half)


@given(latitudes, st.floats(-1, 1))
def test_the_beam_of_a_modified_mount_meets_the_satellite(latitude: float, share: float) -> None:
    site = Site(latitude, 0.0)
    satellite = share * half_belt_deg(site)
    mount = modified_mount(site)
    sight = site.to_satellite(satellite)
    hour = mount.aim(sight).hour_angle_deg
    assert apart_deg(mount.point(hour), sight) < 0.01
    look = look_angles(site, satellite)
    east, north, up = mount.point(hour)
    if look.azimuth_deg is not None and look.elevation_deg < 85:
        assert math.degrees(math.asin(up)) == pytest.approx(look.elevation_deg, abs=0.01)
        azimuth = math.degrees(math.atan2(east, north))
        assert abs((azimuth - look.azimuth_deg + 180) % 360 - 180) < 0.13


@given(st.floats(15, 75), st.booleans(), st.floats(-1, 1))
def test_the_mount_leaves_little_of_the_tilt(latitude: float, southern: bool, share: float) -> None:
    site = Site(-latitude if southern else latitude, 0.0)
    satellite = share * half_belt_deg(site)
    for mount in (true_mount(site), modified_mount(site)):
        left = residual_tilts_deg(site, mount, satellite)
        assert abs(left.vertical_deg) < 0.7
        assert abs(left.horizontal_deg) < 0.7


def test_tilts_near_and_at_the_equator() -> None:
    assert tilts_deg(Site(0.0, 0.0), -30.0).vertical_deg == pytest.approx(90.0)
    assert tilts_deg(Site(0.0, 7.0), 7.0) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_mount_on_the_equator_faces_up() -> None:
    for mount in (true_mount(Site(0.0, 5.0)), modified_mount(Site(0.0, 5.0))):
        assert mount.axis_tilt_deg == 0.0
        assert mount.declination_offset_deg == 0.0
        assert mount.point(0.0) == pytest.approx((0.0, 0.0, 1.0))


class TestPole:
    """A pole out of plumb: clockwise twists look farther clockwise, eastward leans look east."""

    def test_twist_turns_the_azimuth(self) -> None:
        for southern, azimuth in ((False, 180.0), (True, 0.0)):
            east, north, _ = Mount(45, 6, southern, twist_deg=2.0).point(0.0)
            assert math.degrees(math.atan2(east, north)) % 360 == pytest.approx(azimuth + 2.0)

    def test_lean_tips_the_noon_beam_east(self) -> None:
        upright = Mount(45, 6).point(0.0)
        east, north, up = Mount(45, 6, lean_deg=2.0).point(0.0)
        assert east > upright[0] + 0.01
        assert north == pytest.approx(upright[1])
        assert up < upright[2]

    @given(st.floats(-1, 1))
    def test_a_twist_is_mostly_hour_angle_at_noon_and_mostly_miss_aside(self, twist: float) -> None:
        site = Site(44.6, 0.0)
        good = modified_mount(site)
        bad = replace(good, twist_deg=twist)
        noon = bad.aim(site.to_satellite(0.0))
        # turning about the vertical is sin(latitude) about the axis, cos(latitude) across it
        assert noon.hour_angle_deg == pytest.approx(
            -twist * math.sin(math.radians(44.6)), abs=0.13 * abs(twist) + 1e-9
        )
        aside = bad.aim(site.to_satellite(50.0))
        hour = math.radians(good.aim(site.to_satellite(50.0)).hour_angle_deg)
        slope = math.cos(math.radians(44.6)) * math.sin(hour)
        assert abs(aside.cross_arc_deg) == pytest.approx(abs(twist * slope), abs=0.03)
