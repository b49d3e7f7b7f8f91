"""Curves of counts along the arc against other ways to the same figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from bridge.station.model import WormMount
from sim.counts.curve import curve_of, mount_hour_angles_deg, unmeasured_curves
from sim.sky.belt import Site, half_belt_deg, wrap_longitude
from sim.sky.mount import Mount, hour_angle_deg, modified_mount, true_mount


def least_miss_deg(site: Site, mount: Mount, longitude_deg: float) -> float:
    """The hour angle with the least angle from beam to satellite, found by trying."""
    sight = np.array(site.to_satellite(longitude_deg))
    direction = sight / np.linalg.norm(sight)
    near = hour_angle_deg(site, longitude_deg)
    found = minimize_scalar(
        lambda hour: float(np.sum((np.array(mount.point(hour)) - direction) ** 2)),
        bounds=(near - 1.0, near + 1.0), method="bounded", options={"xatol": 1e-9},
    )  # fmt: skip
    return float(found.x)


@pytest.mark.parametrize("latitude_deg", [-60.0, -30.0, 0.0, 8.0, 44.6, 70.0])
def test_modified_mounts_peak_where_the_beam_comes_nearest(latitude_deg: float) -> None:
    # scipy.optimize.minimize_scalar on the angle between beam and satellite
    site = Site(latitude_deg, 179.9)
    mount = modified_mount(site)
    lean = mount.axis_tilt_deg - true_mount(site).axis_tilt_deg
    half = half_belt_deg(site) - 1.0
    for ahead in np.linspace(-half, half, 9):
        longitude = wrap_longitude(site.longitude_deg + float(ahead))
        hours = np.array([hour_angle_deg(site, longitude)])
        (ours,) = mount_hour_angles_deg(site, hours, np.array([lean]), np.array([0.0]))
        assert ours == pytest.approx(least_miss_deg(site, mount, longitude), abs=2e-5)


def test_the_declination_offset_moves_no_peak_along_the_arc() -> None:
    site = Site(44.6, 3.9)
    mount = true_mount(site)
    lowered = replace(mount, declination_offset_deg=mount.declination_offset_deg - 0.4)
    for longitude in (-28.7, 4.3, 41.2):
        low, right = (least_miss_deg(site, one, longitude) for one in (lowered, mount))
        assert low == pytest.approx(right, abs=2e-5)


@pytest.mark.parametrize("twist_deg", [-0.5, 0.5])
def test_a_twist_is_an_error_of_noon_and_a_lean(twist_deg: float) -> None:
    site = Site(44.6, 3.9)
    twisted = replace(true_mount(site), twist_deg=twist_deg)
    longitudes = np.linspace(-40.0, 48.0, 12)
    hours = np.array([hour_angle_deg(site, lon) for lon in longitudes])
    turned = np.array([twisted.aim(site.to_satellite(lon)).hour_angle_deg for lon in longitudes])
    latitude = np.radians(site.latitude_deg)
    leaned = np.array([-twist_deg * np.cos(latitude)])  # north turns east, clockwise from above
    told = mount_hour_angles_deg(site, hours, np.array([0.0]), leaned)
    left = turned - told
    assert left.mean() == pytest.approx(-twist_deg * np.sin(latitude), abs=2e-3)
    assert np.ptp(left) < 2e-3  # deg: 0.03 counts


def test_an_actuator_nobody_measured_is_a_triangle() -> None:
    # Law of cosines, written out: whatever the sides, its shape is ratio, noon angle and steepness.
    actuator, _, _ = unmeasured_curves()
    p, q, noon, per_mm = 610.0, 433.0, 86.0, 2.1
    hours = np.linspace(-50, 50, 21)
    length = np.sqrt(p * p + q * q - 2.0 * p * q * np.cos(np.radians(noon + hours)))
    at_noon = np.sqrt(p * p + q * q - 2.0 * p * q * np.cos(np.radians(noon)))
    steep = per_mm * p * q * np.sin(np.radians(noon)) / at_noon * np.radians(1.0)
    values = np.array([700.0, steep, noon, np.log(p / q)])
    assert actuator.shape(values, hours) == pytest.approx(700.0 + per_mm * (length - at_noon))


def test_without_an_axis_of_its_own_a_worm_runs_straight() -> None:
    mount = WormMount(kind="worm", counts_per_deg=20, noon_count=1200)
    hours = np.array([-40.0, 0.0, 30.0])
    assert curve_of(mount).counts(np.zeros(2), hours) == pytest.approx(1200 + 20 * hours)


def test_slopes_agree_with_differences_far_larger() -> None:
    site = Site(44.6, 3.9)
    worm = curve_of(WormMount(kind="worm", counts_per_deg=20, noon_count=9), site)
    for curve in (*unmeasured_curves(), worm):
        k, hours = len(curve.unknowns), np.linspace(-40, 40, 7)
        z = np.full(k, 0.3)
        far = 0.02 * np.eye(k)
        coarse = (curve.counts(z + far, hours) - curve.counts(z - far, hours)).T / 0.04
        assert curve.slopes(z, hours) == pytest.approx(coarse, rel=2e-3, abs=2e-3)
