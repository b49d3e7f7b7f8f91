"""The plan's JSON, through the command itself, against tables made with other programs."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from tui.commands.plan import run

# Computed with pymap3d 3.2 ecef2aer, WGS-84, unrefracted, radius 42164 km:
# latitude, longitude, height m, satellite, azimuth, elevation, range km
LOOKS = [
    (48.1, 11.6, 520, 19.2, 169.830055, 34.300313, 38230.9633),
    (64.15, -21.9, 30, -0.8, 156.781882, 15.656153, 39985.9532),
    (-33.9, 151.2, 60, 156, 8.569094, 50.281292, 37054.9703),
    (-16.5, -68.15, 3640, -61.5, 22.337863, 69.174909, 36136.4160),
    (-18.1, 178.4, 10, -177, 14.532752, 68.129811, 36175.9400),
    (21.3, -157.9, 20, 172, 237.955180, 47.902067, 37211.7520),
    (71, 25.8, 0, -60, 266.045945, -7.238450, 42489.7287),
    (-51.7, -57.9, 20, -58, 359.872495, 30.869654, 38526.2904),
]
# Computed, WGS-84: latitude, true offset, modified offset, forward lean of the modified axis
MOUNTS = [
    (10, 1.7563, 1.5116, 0.2447),
    (30, 4.9459, 4.3374, 0.6086),
    (45, 6.7974, 6.1098, 0.6876),
    (60, 8.0347, 7.4537, 0.5809),
    (70, 8.4952, 8.0711, 0.4241),
]
# Computed, h = 0: latitude, longitude, satellite, hour angle, declination, tilt of vertical
# polarization (exact, sphere), what the modified mount leaves of it
TILTS = [
    (52, 5, 13, -8.8199, -7.4475, -6.262, -0.1019),
    (40, -3.7, -30, 29.5842, -6.1510, 28.027, 0.3385),
    (60.2, 24.9, 4.8, 21.6966, -8.0044, 11.251, 0.2156),
    (28.6, 77.2, 105.5, -32.3820, -4.6488, -41.195, -0.3177),
    (-34, 18.5, 68.5, -55.9720, 5.1994, 48.921, 0.5390),
    (-23.5, -46.6, -84, 42.8126, 3.8374, -54.602, -0.3525),
    (10, -84, -43, -47.2845, -1.6739, -75.058, -0.1798),
    (64.1, -21.9, 9, -32.9661, -8.1723, -14.154, -0.2875),
]
WORM = '[mount]\nkind = "worm"\ncounts_per_deg = 20\nnoon_count = 1200\n[dish]\ndiameter_m = 1.2\n'


@pytest.fixture
def plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    def run_plan(
        latitude: float, longitude: float, height: float, satellite: float, more: str = ""
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        path = tmp_path / "yard.toml"
        path.write_text(
            f"[station]\nlatitude_deg = {latitude}\nlongitude_deg = {longitude}\n"
            f"height_m = {height}\n{more}"
            f'[[position]]\nnumber = 7\nname = "Gorse"\nlongitude_deg = {satellite}\n'
        )
        assert run(path, json=True) == 0
        mount, row = map(json.loads, capsys.readouterr().out.splitlines())
        return mount, row

    return run_plan


@pytest.mark.parametrize("row", LOOKS)
def test_look_angles(plan: Any, row: tuple[float, ...]) -> None:
    *where, azimuth, elevation, range_km = row
    _, said = plan(*where)
    assert said["azimuth_deg"] == pytest.approx(azimuth, abs=1e-6)
    assert said["elevation_deg"] == pytest.approx(elevation, abs=1e-6)
    assert said["range_km"] == pytest.approx(range_km, abs=1e-4)
    assert said["visible"] is (elevation > 0)
    assert said["hidden_by"] == (None if elevation > 0 else "horizon")


@pytest.mark.parametrize("row", MOUNTS)
@pytest.mark.parametrize("hemisphere", [1, -1])
def test_mount_settings(plan: Any, row: tuple[float, ...], hemisphere: int) -> None:
    latitude, offset, modified, lean = row
    mount, _ = plan(hemisphere * latitude, 0, 0, 0)
    assert mount["axis_tilt_deg"] == latitude
    assert mount["declination_offset_deg"] == pytest.approx(offset, abs=5.1e-5)
    assert mount["modified_declination_offset_deg"] == pytest.approx(modified, abs=5.1e-5)
    assert mount["modified_axis_tilt_deg"] - latitude == pytest.approx(lean, abs=5.1e-5)


@pytest.mark.parametrize("row", TILTS)
def test_hour_angles_and_tilts(plan: Any, row: tuple[float, ...]) -> None:
    latitude, longitude, satellite, hour, declination, tilt, left = row
    _, said = plan(latitude, longitude, 0, satellite)
    assert said["hour_angle_deg"] == pytest.approx(hour, abs=5.1e-5)
    assert said["declination_deg"] == pytest.approx(declination, abs=5.1e-5)
    assert said["tilt_deg"] == pytest.approx(tilt, abs=5.1e-4)
    assert said["residual_tilt_deg"] == pytest.approx(left, abs=5.1e-5)


@pytest.mark.parametrize("row", TILTS)
def test_the_angle_command(plan: Any, row: tuple[float, ...]) -> None:
    """Field usage (common practice): E east, D west, then sixteenths of a degree."""
    latitude, longitude, satellite, hour, *_ = row
    _, said = plan(latitude, longitude, 0, satellite)
    data = bytes.fromhex(said["goto_angle_hex"])
    assert data[:3] == b"\xe0\x31\x6e"
    side, sixteenths = data[3] >> 4, (data[3] & 0xF) << 8 | data[4]
    assert side == (0xE if hour < 0 else 0xD)
    assert sixteenths / 16 == pytest.approx(abs(hour), abs=1 / 32 + 1e-4)


def test_the_belt_ends_at_the_horizon(plan: Any) -> None:
    """Computed, WGS-84: from the equator the belt is seen 81.2995 deg either way."""
    mount, _ = plan(0, 170, 0, 170)
    assert mount["reach_east_deg"] == pytest.approx(170 + 81.2995 - 360, abs=5.1e-5)
    assert mount["reach_west_deg"] == pytest.approx(170 - 81.2995, abs=5.1e-5)


def test_counts_and_what_they_cost(plan: Any) -> None:
    """Loss 12 (error / beamwidth)^2 dB, beamwidth 70 lambda / D: 1 dB at 0.29 of it.

    Common practice; the beam of a polar mount turns by the cosine of the declination.
    """
    _, said = plan(52, 5, 0, 13, WORM)
    assert said["count"] == round(1200 - 20 * 8.8199)
    assert said["counts_per_deg"] == 20
    beamwidth = 70 * 0.299792458 / 12.0 / 1.2
    expected = beamwidth * math.sqrt(1 / 12) * 20 / math.cos(math.radians(7.4475))
    assert said["one_db_counts"] == pytest.approx(expected, rel=1e-6)
    assert expected == pytest.approx(0.29 * beamwidth * 20, rel=0.02)
