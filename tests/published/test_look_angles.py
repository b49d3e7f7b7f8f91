"""Look angles against a textbook, two other programs and the physics of the air."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sim.sky.belt import Ellipsoid, LookAngles, Site, half_belt_deg, look_angles, refraction_deg
from sim.sky.mount import true_mount
from sim.sky.polarization import tilts_deg

BOOK_SPHERE = Ellipsoid(6371000.0, 0.0)  # the Earth of Roddy, Satellite Communications, 4th ed.

# Computed with pymap3d 3.2 ecef2aer, WGS-84, unrefracted, radius 42164 km:
# latitude, longitude, height m, satellite, azimuth, elevation, range km
TABLE = [
    (48.1, 11.6, 520, 19.2, 169.830055, 34.300313, 38230.9633),
    (64.15, -21.9, 30, -0.8, 156.781882, 15.656153, 39985.9532),
    (-33.9, 151.2, 60, 156, 8.569094, 50.281292, 37054.9703),
    (-16.5, -68.15, 3640, -61.5, 22.337863, 69.174909, 36136.4160),
    (0, 36.8, 1700, 36, 270.000000, 89.057378, 35784.8957),
    (-18.1, 178.4, 10, -177, 14.532752, 68.129811, 36175.9400),
    (21.3, -157.9, 20, 172, 237.955180, 47.902067, 37211.7520),
    (35, -100, 400, -30, 101.764145, 7.657588, 40835.4585),
    (69.6, 18.9, 0, 62, 135.031946, 6.121392, 40999.3697),
    (71, 25.8, 0, -60, 266.045945, -7.238450, 42489.7287),
    (5, -74, 2600, -47.5, 99.904581, 58.536434, 36589.5237),
    (-51.7, -57.9, 20, -58, 359.872495, 30.869654, 38526.2904),
]


def azimuth(look: LookAngles) -> float:
    assert look.azimuth_deg is not None
    return look.azimuth_deg


@pytest.mark.parametrize("row", TABLE)
def test_meets_the_table(row: tuple[float, ...]) -> None:
    latitude, longitude, height, satellite, az, el, range_km = row
    look = look_angles(Site(latitude, longitude, height), satellite)
    assert look.azimuth_deg == pytest.approx(az, abs=1e-6)
    assert look.elevation_deg == pytest.approx(el, abs=1e-6)
    assert look.range_km == pytest.approx(range_km, abs=1e-4)


def test_agrees_with_pymap3d_over_the_world() -> None:
    """pymap3d, WGS-84 unrefracted, 1,500 sites and satellites, wherever an azimuth has meaning."""
    pymap3d = pytest.importorskip("pymap3d")
    rng = np.random.default_rng(7)
    compared = 0
    for _ in range(1500):
        latitude, longitude, satellite = rng.uniform((-89, -180, -180), (89, 180, 180))
        height = rng.uniform(-400, 5000)
        east = math.radians(satellite)
        az, el, range_m = pymap3d.ecef2aer(
            42164e3 * math.cos(east), 42164e3 * math.sin(east), 0.0, latitude, longitude, height
        )
        look = look_angles(Site(latitude, longitude, height), satellite)
        assert look.elevation_deg == pytest.approx(float(el), abs=1e-9)
        assert look.range_km == pytest.approx(float(range_m) / 1000, abs=1e-8)
        if el < 89.0:
            turned = (azimuth(look) - float(az) + 180.0) % 360.0 - 180.0
            assert abs(turned) < 1e-9
            compared += 1
    assert compared > 1400


@pytest.mark.parametrize("row", TABLE)
def test_agrees_with_skyfield(row: tuple[float, ...]) -> None:
    """skyfield, a satellite at rest over the equator of WGS-84; nothing is downloaded."""
    api = pytest.importorskip("skyfield.api")
    latitude, longitude, height, satellite, *_ = row
    timescale = api.load.timescale(builtin=True)
    above = api.wgs84.latlon(0.0, satellite, elevation_m=42164e3 - 6378137.0)
    place = api.wgs84.latlon(latitude, longitude, elevation_m=height)
    el, az, distance = (above - place).at(timescale.utc(2025, 3, 4, 5, 6, 7)).altaz()
    look = look_angles(Site(latitude, longitude, height), satellite)
    assert look.elevation_deg == pytest.approx(el.degrees, abs=1e-6)
    assert look.azimuth_deg == pytest.approx(az.degrees, abs=1e-6)
    assert look.range_km == pytest.approx(distance.km, abs=1e-6)


class TestRoddy:
    """Roddy, Satellite Communications, 4th ed.: sphere of 6371 km, radius 42164 km."""

    def test_examples_3_1_and_3_2(self) -> None:
        look = look_angles(Site(35, -100, 0, BOOK_SPHERE), -90)
        cosine = (6371**2 + 42164**2 - look.range_km**2) / (2 * 6371 * 42164)
        central_deg = math.degrees(math.acos(cosine))
        assert central_deg == pytest.approx(36.23, abs=0.01)  # book
        assert central_deg == pytest.approx(36.2245, abs=5e-5)  # computed
        assert round(azimuth(look), 1) == 162.9  # book
        assert round(look.range_km) == 37215  # book
        assert round(look.elevation_deg) == 48  # book, "about"
        assert azimuth(look) == pytest.approx(162.9117, abs=5e-5)  # computed
        assert look.range_km == pytest.approx(37215.40, abs=5e-3)  # computed
        assert look.elevation_deg == pytest.approx(47.9691, abs=5e-5)  # computed

    def test_example_3_3_polar_mount(self) -> None:
        site = Site(49, -100, 0, BOOK_SPHERE)
        look = look_angles(site, -100)
        assert round(look.range_km) == 38287  # book
        assert round(look.elevation_deg, 1) == 33.8  # book
        assert round(true_mount(site).declination_offset_deg) == 7  # book, "about"
        assert true_mount(site).declination_offset_deg == pytest.approx(7.2144, abs=5e-5)
        wgs84 = true_mount(Site(49, -100)).declination_offset_deg
        assert wgs84 == pytest.approx(7.1905, abs=5e-5)  # computed

    def test_example_3_4_limits_of_visibility(self) -> None:
        """The book's inputs; its answer was not seen, the figures are computed."""
        half = half_belt_deg(Site(48.42, -89.26, 0, BOOK_SPHERE), 5.0)
        assert half == pytest.approx(69.1591, abs=5e-5)
        assert -89.26 + half == pytest.approx(-20.10, abs=5e-3)
        assert -89.26 - half == pytest.approx(-158.42, abs=5e-3)

    def test_section_3_4_horizon_from_the_equator(self) -> None:
        half = half_belt_deg(Site(0, 0, 0, Ellipsoid(6378000.0, 0.0)))  # equatorial radius there
        assert round(half, 1) == 81.3  # book
        assert half == pytest.approx(81.2997, abs=5e-5)  # computed

    def test_example_5_1_polarization(self) -> None:
        """The book's own vectors are rounded, so its last two digits are not met exactly."""
        tilt = tilts_deg(Site(18, -73, 0, BOOK_SPHERE), -105).vertical_deg
        assert tilt == pytest.approx(58.64, abs=0.03)  # book
        assert tilt == pytest.approx(58.6167, abs=5e-5)  # computed


def test_pratt_bostian_allnutt_example_2_2_1() -> None:
    """Satellite Communications, Example 2.2.1 (from memory), sphere of 6378.137 km."""
    look = look_angles(Site(52, 0, 0, Ellipsoid(6378137.0, 0.0)), 66)
    assert round(look.elevation_deg, 3) == 5.847
    assert round(azimuth(look), 3) == 109.333


def test_edge_of_the_view() -> None:
    """Computed on WGS-84: 81.2995 deg along the equator, 81.3282 deg of latitude."""
    assert half_belt_deg(Site(0, 0)) == pytest.approx(81.2995, abs=5e-5)
    assert look_angles(Site(81.32815, 0), 0).elevation_deg > 0
    assert look_angles(Site(81.32825, 0), 0).elevation_deg < 0


def test_a_sphere_is_good_to_a_thirtieth_of_a_degree() -> None:
    """Sphere of 6371 km against WGS-84, whole visible world: computed maximum 0.0295 deg."""
    worst = 0.0
    for latitude in range(-81, 82, 3):
        for satellite in range(0, 82, 3):
            real = np.array(Site(latitude, 0).to_satellite(satellite))
            ball = np.array(Site(latitude, 0, 0, BOOK_SPHERE).to_satellite(satellite))
            if real[2] < 0:
                continue
            apart = np.cross(real, ball)
            worst = max(worst, math.degrees(math.atan2(np.linalg.norm(apart), real @ ball)))
    assert 0.02 < worst < 0.04


@pytest.mark.parametrize("height_m", [0.0, 1000.0, 2500.0])
@pytest.mark.parametrize("elevation_deg", [0.0, 1.0, 3.0, 5.0, 10.0, 20.0, 45.0, 80.0])
def test_refraction_against_a_ray_through_the_air(elevation_deg: float, height_m: float) -> None:
    """Bouguer's rule through n = 1 + 315e-6 exp(-h / 7.35 km) (ITU-R P.834 and P.453, from memory).

    The bending is integrated here along the ray that arrives with the apparent elevation.
    """
    apparent = math.radians(elevation_deg + refraction_deg(elevation_deg, height_m))
    radius, scale = 6370.0, 7.35  # km
    step = np.linspace(0.0, math.sqrt(100.0), 200_001)
    height = height_m / 1000.0 + step**2  # fine steps near the ground, where most of it happens
    excess = 315e-6 * np.exp(-height / scale)
    invariant = (1 + excess[0]) * (radius + height[0]) * math.cos(apparent)
    cosine = invariant / ((1 + excess) * (radius + height))
    cotangent = cosine / np.sqrt(np.maximum(1e-300, 1 - cosine**2))
    slope = excess / scale / (1 + excess) * cotangent * 2 * step
    slope[0] = slope[1]
    bent = math.degrees(float(np.trapezoid(slope, step)))
    assert refraction_deg(elevation_deg, height_m) == pytest.approx(bent, abs=0.015)
