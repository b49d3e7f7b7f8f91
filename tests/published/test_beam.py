"""The beam against reference patterns of the ITU-R, the Airy pattern and textbook rules."""

from __future__ import annotations

import math

import pytest

from sim.sky.beam import (
    Reflector,
    main_lobe_db,
)
from sim.sky.link_budget import noise_dbw, path_loss_db
from sim.sky.polarization import power_taken


def bo1213_dbi(off_deg: float, gain_dbi: float, wavelengths: float) -> float:
    """ITU-R BO.1213, as read in public code, written out again."""
    first_dbi = 29.0 - 25.0 * math.log10(95.0 / wavelengths)
    main_deg = 20.0 / wavelengths * math.sqrt(gain_dbi - first_dbi)
    if off_deg < main_deg:
        return gain_dbi - 0.0025 * (off_deg * wavelengths) ** 2
    if off_deg < 95.0 / wavelengths:
        return first_dbi
    if off_deg < 10.0**1.36:  # 22.909 deg
        return 29.0 - 25.0 * math.log10(off_deg)
    return -5.0 if off_deg <= 70.0 else 0.0


def discrimination_db(error_deg: float) -> float:
    """Wanted over crossed polarization."""
    return 10.0 * math.log10(power_taken(error_deg) / power_taken(error_deg + 90.0))


class TestReflector:
    def test_beamwidth_and_gain(self) -> None:
        """rfessentials: 70 lambda / D; gain 10 log[e (pi D / lambda)2] from memory; computed."""
        dish = Reflector(1.2, 11.7)
        assert dish.wavelengths == pytest.approx(46.8324, abs=5e-5)
        assert dish.beamwidth_deg == pytest.approx(1.49469, abs=5e-6)
        assert dish.gain_dbi == pytest.approx(41.4831, abs=5e-5)

    @pytest.mark.parametrize(("diameter_m", "frequency_ghz"), [(1.0, 12.0), (3.0, 4.0)])
    def test_only_wavelengths_count(self, diameter_m: float, frequency_ghz: float) -> None:
        """Computed: 1 m at 12 GHz and 3 m at 4 GHz are the same dish."""
        dish = Reflector(diameter_m, frequency_ghz, efficiency=0.6)
        assert dish.beamwidth_deg == pytest.approx(1.74879, abs=5e-6)
        assert dish.gain_dbi == pytest.approx(39.7717, abs=5e-5)

    def test_the_other_rule_for_the_beamwidth(self) -> None:
        """Lunar Base Handbook, p. 427: 21 / (f in GHz times D in m)."""
        for diameter_m, frequency_ghz in ((0.8, 11.0), (1.2, 12.0), (3.7, 4.0)):
            rule = 21.0 / (frequency_ghz * diameter_m)
            assert Reflector(diameter_m, frequency_ghz).beamwidth_deg == pytest.approx(
                rule, rel=2e-3
            )


class TestMainLobe:
    def test_is_three_db_down_at_half_the_beamwidth(self) -> None:
        """WRC-15 Final Acts, Resolution 553, Fig. 1 curve A."""
        assert main_lobe_db(0.5, 1.0) == -3.0
        assert main_lobe_db(0.0, 1.0) == 0.0
        assert -12.0412 * 0.25 == pytest.approx(10 * math.log10(0.5), abs=1e-4)  # computed

    def test_one_db(self) -> None:
        """Common practice: 1 dB at 0.29 of the beamwidth, 3 dB at 0.5."""
        dish = Reflector(1.2, 12.0)
        assert dish.off_axis_deg(1.0) / dish.beamwidth_deg == pytest.approx(0.29, abs=2e-3)
        assert dish.off_axis_deg(3.0) / dish.beamwidth_deg == pytest.approx(0.5, abs=1e-12)

    def test_follows_the_airy_pattern_of_equal_beamwidth(self) -> None:
        """Even aperture: [2 J1(u) / u]2, half power at u = 1.616340 (computed).

        The parabola stays within 0.05 dB of it to half power and falls short of it beyond.
        """
        special = pytest.importorskip("scipy.special")
        half_power = 1.616340

        def airy_db(u: float) -> float:
            return 20.0 * math.log10(abs(2.0 * float(special.j1(u)) / u))

        assert airy_db(half_power) == pytest.approx(10 * math.log10(0.5), abs=1e-5)
        for step in range(1, 51):
            share = step / 100.0  # of the beamwidth
            assert main_lobe_db(share, 1.0) == pytest.approx(
                airy_db(2.0 * half_power * share), abs=0.05
            )
        assert airy_db(2.0 * half_power) < main_lobe_db(1.0, 1.0)

    def test_airy_figures(self) -> None:
        """Computed: nulls, side lobes and beamwidth of an even aperture."""
        special = pytest.importorskip("scipy.special")
        assert float(special.j1(3.831706)) == pytest.approx(0.0, abs=1e-6)
        assert 3.831706 / math.pi == pytest.approx(1.219670, abs=1e-6)
        beamwidth = math.degrees(2 * 1.616340 / math.pi)
        assert beamwidth == pytest.approx(58.957, abs=1e-3)
        side = 20 * math.log10(abs(2 * float(special.j1(5.135622)) / 5.135622))
        assert side == pytest.approx(-17.5701, abs=1e-4)
        # a dish lit evenly is narrower than ours and has higher side lobes
        dish = Reflector(1.2, 12.0)
        assert beamwidth / dish.wavelengths < dish.beamwidth_deg
        first_lobe_deg = math.degrees(5.135622 / math.pi) / dish.wavelengths
        assert dish.off_axis_dbi(first_lobe_deg) - dish.gain_dbi < side


class TestReferencePatterns:
    @pytest.mark.parametrize(
        ("off", "dbi"),
        [(3.0, 17.072), (10.0, 4.0), (20.0, -3.526), (22.9, -4.9957), (22.92, -5.0), (30.0, -5.0),
         (69.9, -5.0), (70.1, 0.0), (180.0, 0.0)],
    )  # fmt: skip
    def test_side_lobes(self, off: float, dbi: float) -> None:
        """BO.1213: 29 - 25 log to 22.909 deg, -5 dBi to 70 deg, 0 beyond; 3 dB under S.465-6."""
        dish = Reflector(1.2, 12.0)
        assert dish.off_axis_dbi(off) == pytest.approx(dbi, abs=5e-4)
        assert dish.off_axis_dbi(-off) == dish.off_axis_dbi(off)

    def test_the_first_side_lobe_of_a_60_cm_dish(self) -> None:
        """BO.1213, 60 cm at 12.1 GHz: 14.1598 dBi up to 95 lambda / D = 3.92290 deg."""
        dish = Reflector(0.6, 12.1)
        assert 95.0 / dish.wavelengths == pytest.approx(3.92290, abs=5e-6)
        assert dish.off_axis_dbi(3.9) == pytest.approx(14.1598, abs=5e-5)
        assert dish.off_axis_dbi(3.92) == pytest.approx(14.1598, abs=5e-5)
        assert dish.off_axis_dbi(4.2) == pytest.approx(29.0 - 25.0 * math.log10(4.2), abs=5e-5)

    def test_beamwidth_of_bo1213(self) -> None:
        """Its main lobe is 3 dB down at 69.28 / 2 lambda / D: 2.861 deg for 60 cm at 12.1 GHz."""
        wavelengths = Reflector(0.6, 12.1).wavelengths
        half_deg = 69.28 / wavelengths / 2.0
        assert 2.0 * half_deg == pytest.approx(2.861, abs=1e-3)
        assert bo1213_dbi(half_deg, 35.5, wavelengths) == pytest.approx(35.5 - 3.0, abs=1e-3)

    @pytest.mark.parametrize("diameter_m", [0.6, 0.9, 1.2, 1.8, 3.0])
    def test_our_dish_against_bo1213(self, diameter_m: float) -> None:
        """Same side lobes; a main lobe of 70 instead of 69.28 lambda / D is under 0.5 dB off."""
        dish = Reflector(diameter_m, 12.0)
        for step in range(1, 1800):
            off = step / 10.0
            reference = bo1213_dbi(off, dish.gain_dbi, dish.wavelengths)
            assert dish.off_axis_dbi(off) == pytest.approx(reference, abs=0.5)


@pytest.mark.parametrize(
    ("error", "discrimination", "co"),
    [
        (0.5, 41.183, -0.0003),
        (1.0, 35.162, -0.0013),
        (2.0, 29.138, -0.0053),
        (5.0, 21.161, -0.0331),
        (10.0, 15.074, -0.1330),
        (30.0, 4.771, -1.2494),
        (45.0, 0.0, -3.0103),
    ],
)
def test_rotation(error: float, discrimination: float, co: float) -> None:
    """XPD = 20 log(E11 / E12), Roddy eq. 5.17; a turned linear feed, from memory; computed."""
    assert discrimination_db(error) == pytest.approx(discrimination, abs=5.1e-4)
    assert discrimination_db(-error) == pytest.approx(discrimination_db(error), abs=1e-9)
    assert 10.0 * math.log10(power_taken(error)) == pytest.approx(co, abs=5.1e-5)


def test_isolation_as_a_technician_knows_it() -> None:
    """Common practice: 1 degree leaves 35 dB, 3 degrees 26, 5 degrees 21, 10 degrees 15."""
    assert [round(discrimination_db(e)) for e in (1, 3, 5, 10)] == [35, 26, 21, 15]


def test_path_loss() -> None:
    """92.45 + 20 log(km) + 20 log(GHz), common practice."""
    rule = 92.45 + 20 * math.log10(38000) + 20 * math.log10(11.7)
    assert path_loss_db(38000, 11.7) == pytest.approx(rule, abs=0.01)


def test_noise() -> None:
    """-228.6 dBW/K/Hz, common practice; rain of 275 K (ITU-R P.618, from memory) fills the sky."""
    assert noise_dbw(100, 1e-6) == pytest.approx(-228.6 + 20, abs=0.01)
    assert noise_dbw(100, 1e-6, rain_db=60) == pytest.approx(
        -228.6 + 10 * math.log10(375), abs=0.01
    )
