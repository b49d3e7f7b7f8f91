"""Sites, obstacles and what hides the belt."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import YardError
from sim.sky.belt import (
    LookAngles,
    Obstacle,
    Site,
    half_belt_deg,
    hidden_by,
    look_angles,
    refraction_deg,
    wrap_longitude,
)

latitudes = st.floats(-80, 80)
longitudes = st.floats(-180, 180)


def turned(a_deg: float, b_deg: float) -> float:
    return abs((a_deg - b_deg + 180.0) % 360.0 - 180.0)


@given(latitudes, longitudes, longitudes, st.floats(0, 4000))
def test_the_southern_sky_mirrors_the_northern(
    latitude: float, longitude: float, satellite: float, height: float
) -> None:
    north = look_angles(Site(latitude, longitude, height), satellite)
    south = look_angles(Site(-latitude, longitude, height), satellite)
    assert south.elevation_deg == pytest.approx(north.elevation_deg, abs=1e-9)
    assert south.range_km == pytest.approx(north.range_km, abs=1e-6)
    if north.azimuth_deg is not None and south.azimuth_deg is not None:
        assert north.elevation_deg > 89.9 or (
            turned(south.azimuth_deg, 180.0 - north.azimuth_deg) < 1e-6
        )


@given(latitudes, st.floats(-90, 90), st.floats(-80, 80))
def test_east_mirrors_west(latitude: float, longitude: float, ahead: float) -> None:
    site = Site(latitude, longitude)
    east, west = look_angles(site, longitude + ahead), look_angles(site, longitude - ahead)
    assert east.elevation_deg == pytest.approx(west.elevation_deg, abs=1e-9)
    if east.azimuth_deg is not None and west.azimuth_deg is not None and east.elevation_deg < 89.9:
        assert turned(east.azimuth_deg, -west.azimuth_deg) < 1e-6


@given(latitudes, longitudes, longitudes)
def test_looks_are_in_their_ranges(latitude: float, longitude: float, satellite: float) -> None:
    look = look_angles(Site(latitude, longitude), satellite)
    assert -90.0 <= look.elevation_deg <= 90.0
    assert look.azimuth_deg is None or 0.0 <= look.azimuth_deg < 360.0
    assert 42164 - 6378.2 <= look.range_km <= 42164 + 6378.2


def test_an_azimuth_a_hair_west_of_north_is_north() -> None:
    assert look_angles(Site(-45.0, 0.0), -1e-14).azimuth_deg == 0.0


def test_overhead_has_no_azimuth() -> None:
    look = look_angles(Site(0.0, 100.5), 100.5)
    assert look.elevation_deg == 90.0
    assert look.azimuth_deg is None
    assert look_angles(Site(0.0, 100.5), 100.6).azimuth_deg == pytest.approx(90.0)
    assert look_angles(Site(0.0, 100.5), 100.4).azimuth_deg == pytest.approx(270.0)
    assert hidden_by(Site(0.0, 100.5), 100.5, [Obstacle(0, 360, 89)]) is None
    assert hidden_by(Site(0.0, 100.5), 100.5, [Obstacle(80, 90, 90)]) == "obstacle"


class TestObstacle:
    def look(self, azimuth: float, elevation: float) -> LookAngles:
        return LookAngles(azimuth, elevation, 38000.0)

    @pytest.mark.parametrize("azimuth", [209.0, 210.5, 212.0])
    def test_hides_its_sector_up_to_its_edge(self, azimuth: float) -> None:
        chimney = Obstacle(209, 212, 35)
        assert chimney.hides(self.look(azimuth, 34.9))
        assert chimney.hides(self.look(azimuth, 35.0))
        assert not chimney.hides(self.look(azimuth, 35.1))

    @pytest.mark.parametrize("azimuth", [0.0, 29.0, 208.99, 212.01, 359.9])
    def test_leaves_the_rest_open(self, azimuth: float) -> None:
        assert not Obstacle(209, 212, 35).hides(self.look(azimuth, 1.0))

    @pytest.mark.parametrize(
        ("azimuth", "hidden"),
        [(340.0, True), (359.99, True), (0.0, True), (20.0, True), (21.0, False), (339.0, False)],
    )
    def test_wraps_north(self, azimuth: float, hidden: bool) -> None:
        assert Obstacle(340, 20, 10).hides(self.look(azimuth, 5.0)) is hidden

    @pytest.mark.parametrize(("low", "high"), [(0, 360), (360, 0)])
    def test_all_round(self, low: float, high: float) -> None:
        assert all(Obstacle(low, high, 10).hides(self.look(a, 5.0)) for a in range(0, 360, 15))

    def test_a_sector_to_360_ends_at_north(self) -> None:
        wall = Obstacle(300, 360, 10)
        assert wall.hides(self.look(330.0, 5.0))
        assert not wall.hides(self.look(10.0, 5.0))

    @given(st.floats(0, 359), st.floats(0.5, 359), st.floats(0, 359.99))
    def test_a_sector_and_its_complement_cover_the_horizon(
        self, start: float, width: float, azimuth: float
    ) -> None:
        end = (start + width) % 360.0
        if start == end:
            return
        one, other = Obstacle(start, end, 10), Obstacle(end, start, 10)
        seen = self.look(azimuth, 5.0)
        assert one.hides(seen) or other.hides(seen)
        if one.hides(seen) and other.hides(seen):
            assert min(turned(azimuth, start), turned(azimuth, end)) < 1e-9

    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ((-10, 20, 5), "azimuth_deg -10 is not within 0 to 360 deg"),
            ((10, 361, 5), "azimuth_deg 361"),
            ((10, 20, 91), "elevation_deg 91 is not within 0 to 90 deg"),
            ((10, 10, 5), "no width"),
            ((math.nan, 10, 5), "azimuth_deg nan"),
        ],
    )
    def test_refuses_what_cannot_stand(self, values: tuple[float, ...], words: str) -> None:
        with pytest.raises(YardError, match=words):
            Obstacle(*values)


class TestSite:
    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ((91, 0, 0), "latitude_deg 91 is not within -90 to 90 deg"),
            ((45, 355, 0), r"longitude_deg 355 is not within -180 to 180 deg; .* write -5"),
            ((45, -190, 0), "write 170"),
            ((45, 0, 20000), "height_m 20000 is not within -500 to 9000 m"),
            ((math.nan, 0, 0), "latitude_deg nan"),
            ((45, math.inf, 0), "longitude_deg inf"),
        ],
    )
    def test_refuses_what_is_no_place(self, values: tuple[float, ...], words: str) -> None:
        with pytest.raises(YardError, match=words):
            Site(*values)

    def test_a_satellite_longitude_is_checked_too(self) -> None:
        with pytest.raises(YardError, match="write -5"):
            look_angles(Site(45, 0), 355)


class TestView:
    @pytest.mark.parametrize("latitude", [90.0, -90.0, 82.0, -81.4])
    def test_near_the_poles_there_is_none(self, latitude: float) -> None:
        with pytest.raises(YardError, match=f"latitude_deg {latitude:g} has no view of the belt"):
            half_belt_deg(Site(latitude, 20.0))

    @given(latitudes, st.floats(0, 60))
    def test_the_edge_of_the_belt_stands_where_asked(self, latitude: float, least: float) -> None:
        site = Site(latitude, 0.0)
        if look_angles(site, 0.0).elevation_deg < least:
            with pytest.raises(YardError, match="has no view"):
                half_belt_deg(site, least)
            return
        half = half_belt_deg(site, least)
        edge = look_angles(site, half).elevation_deg
        assert edge == pytest.approx(least, abs=1e-6)

    def test_below_the_horizon(self) -> None:
        assert hidden_by(Site(45, 0), 90) == "horizon"
        assert hidden_by(Site(45, 0), 90, [Obstacle(0, 360, 60)]) == "horizon"
        assert hidden_by(Site(45, 0), 10) is None


@given(st.floats(-1000, 1000))
def test_wrapping_keeps_the_meridian(longitude: float) -> None:
    wrapped = wrap_longitude(longitude)
    assert -180.0 <= wrapped < 180.0
    assert turned(wrapped, longitude) < 1e-9


@given(st.floats(0, 89.9), st.floats(0, 3000))
def test_refraction_falls_with_elevation_and_height(elevation: float, height: float) -> None:
    here = refraction_deg(elevation, height)
    assert 0.0 < here < 0.6
    assert refraction_deg(elevation + 0.1, height) <= here
    assert refraction_deg(elevation, height + 100.0) <= here
    assert refraction_deg(-0.1) == 0.0
