"""What a dish hears off its axis: main lobe, side lobes, polarization, noise and rain.

Off-axis angles in deg, gains in dBi, losses as negative dB. The side lobes are the envelopes of
published reference patterns, which real ones stay under: neighbours are never flattered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from bridge.errors import YardError

LIGHT_M_S = 299792458.0  # m/s, speed of light (SI)
BOLTZMANN_J_K = 1.380649e-23  # J/K, Boltzmann constant (SI)
BEAMWIDTH_FACTOR = 70.0  # deg, half-power beamwidth times D / lambda (common practice)
RAIN_K = 275.0  # K, temperature of rain as the dish sees it (ITU-R P.618, from memory)
SMALLEST = 11.0  # wavelengths across the smallest dish that BO.1213 describes (from memory)


class Coupling(NamedTuple):
    """What a feed takes from a wave in its own polarization and in the other one, in dB."""

    co_db: float
    cross_db: float


@dataclass(frozen=True, slots=True)
class Reflector:
    """A dish at a frequency; YardError for one too small to have a beam.

    >>> dish = Reflector(1.2, 11.7)
    >>> f"{dish.wavelengths:.4f} {dish.beamwidth_deg:.5f} {dish.gain_dbi:.4f}"
    '46.8324 1.49469 41.4831'
    """

    diameter_m: float
    frequency_ghz: float
    efficiency: float = 0.65  # 1, common practice

    def __post_init__(self) -> None:
        limits = {
            "diameter_m": (0.1, 100.0),
            "frequency_ghz": (0.5, 100.0),
            "efficiency": (0.01, 1.0),
        }
        for key, (low, high) in limits.items():
            value = getattr(self, key)
            if not low <= value <= high:
                raise YardError(
                    f"{key} {value:g} is not within {low:g} to {high:g}; check its unit"
                )
        if self.wavelengths < SMALLEST:
            raise YardError(
                f"diameter_m {self.diameter_m:g} is only {self.wavelengths:.1f} wavelengths at"
                f" {self.frequency_ghz:g} GHz, needed are {SMALLEST:g} or more, which is"
                f" {SMALLEST * self.wavelength_m:.2f} m; check diameter_m and frequency_ghz"
            )

    @property
    def wavelength_m(self) -> float:
        return LIGHT_M_S / (self.frequency_ghz * 1e9)

    @property
    def wavelengths(self) -> float:
        """Diameter over wavelength."""
        return self.diameter_m / self.wavelength_m

    @property
    def beamwidth_deg(self) -> float:
        """Half-power beamwidth, from one side to the other."""
        return BEAMWIDTH_FACTOR / self.wavelengths

    @property
    def gain_dbi(self) -> float:
        """Gain on the axis."""
        return 10.0 * math.log10(self.efficiency * (math.pi * self.wavelengths) ** 2)

    def width_deg(self, loss_db: float) -> float:
        """How far off the axis the main lobe has lost so many dB.

        >>> round(Reflector(1.2, 12.0).width_deg(1.0), 2)
        0.42
        """
        return self.beamwidth_deg * math.sqrt(loss_db / 12.0)

    def off_axis_dbi(self, off_deg: float) -> float:
        """Gain off the axis: the main lobe down to the side lobes of ITU-R BO.1213."""
        main = self.gain_dbi + main_lobe_db(off_deg, self.beamwidth_deg)
        start_deg = 95.0 / self.wavelengths
        return max(main, _bo1213_side_dbi(max(abs(off_deg), start_deg)))


def main_lobe_db(off_deg: float, beamwidth_deg: float) -> float:
    """Loss against the axis inside the main lobe: 3 dB at half the beamwidth.

    WRC-15 Final Acts, Resolution 553, Fig. 1 curve A, which gives it up to half the beamwidth.

    >>> main_lobe_db(0.7, 1.4)
    -3.0
    """
    return -12.0 * (off_deg / beamwidth_deg) ** 2


def s465_dbi(off_deg: float, wavelengths: float) -> float | None:
    """Side-lobe envelope of ITU-R S.465-6; None nearer the axis than it goes.

    >>> s465_dbi(10.0, 100.0), s465_dbi(0.5, 100.0)
    (7.0, None)
    """
    off = abs(off_deg)
    if wavelengths >= 50.0:
        start_deg = max(1.0, 100.0 / wavelengths)
    elif wavelengths >= 33.3:
        start_deg = max(2.0, 114.0 * wavelengths**-1.09)
    else:
        start_deg = 2.5
    if off < start_deg:
        return None
    return 32.0 - 25.0 * math.log10(off) if off < 48.0 else -10.0


def s580_dbi(off_deg: float, wavelengths: float) -> float | None:
    """Side-lobe envelope of ITU-R S.580-6, a newer and larger dish; None nearer the axis.

    >>> s580_dbi(10.0, 100.0)
    4.0
    """
    off = abs(off_deg)
    if off < max(1.0, 100.0 / wavelengths):
        return None
    if off <= 20.0:
        return 29.0 - 25.0 * math.log10(off)
    return -3.5 if off <= 26.3 else s465_dbi(off, wavelengths)


def bo1213_dbi(off_deg: float, gain_dbi: float, wavelengths: float) -> float:
    """Reference pattern of ITU-R BO.1213 for a receiving dish, main lobe and side lobes.

    >>> round(bo1213_dbi(3.85, 35.5, 0.6 * 12.1e9 / LIGHT_M_S), 2)
    14.16
    """
    off = abs(off_deg)
    side_deg = 95.0 / wavelengths
    shelf_dbi = _bo1213_side_dbi(side_deg)
    main_deg = 20.0 / wavelengths * math.sqrt(max(0.0, gain_dbi - shelf_dbi))
    if off < main_deg:
        return gain_dbi - 2.5e-3 * (off * wavelengths) ** 2
    return _bo1213_side_dbi(max(off, side_deg))


def _bo1213_side_dbi(off_deg: float) -> float:
    if off_deg <= 10.0 ** (34.0 / 25.0):
        return 29.0 - 25.0 * math.log10(off_deg)
    return -5.0 if off_deg <= 70.0 else 0.0


def rotation(error_deg: float, isolation_db: float = math.inf) -> Coupling:
    """What a feed turned away from a linear wave takes of it, and of the crossed one.

    `isolation_db` is the feed's own on its best angle; the two leaks add as powers.

    >>> [round(x, 4) for x in rotation(5.0)]
    [-0.0331, -21.1941]
    """
    own = 10.0 ** (-isolation_db / 10.0)
    sin2 = math.sin(math.radians(error_deg)) ** 2
    return Coupling(
        power_db((1.0 - sin2) + own * sin2),
        power_db(sin2 + own * (1.0 - sin2)),
    )


def discrimination_db(error_deg: float, isolation_db: float = math.inf) -> float:
    """Wanted over crossed polarization for a feed turned away by an error; inf without any.

    >>> round(discrimination_db(1.0), 1), round(discrimination_db(10.0), 1)
    (35.2, 15.1)
    """
    taken = rotation(error_deg, isolation_db)
    return taken.co_db - taken.cross_db


def path_loss_db(range_km: float, frequency_ghz: float) -> float:
    """Free-space loss between two isotropic antennas.

    >>> round(path_loss_db(38230.96, 12.0), 1)
    205.7
    """
    wavelength_m = LIGHT_M_S / (frequency_ghz * 1e9)
    return 20.0 * math.log10(4.0 * math.pi * range_km * 1000.0 / wavelength_m)


def noise_dbw(noise_k: float, bandwidth_mhz: float, rain_db: float = 0.0) -> float:
    """Noise in a bandwidth; rain takes from the carrier and also glows.

    >>> round(noise_dbw(100.0, 27.0), 1), round(noise_dbw(100.0, 27.0, 3.0), 1)
    (-134.3, -130.5)
    """
    warm_k = noise_k + RAIN_K * (1.0 - 10.0 ** (-rain_db / 10.0))
    return 10.0 * math.log10(BOLTZMANN_J_K * warm_k * bandwidth_mhz * 1e6)


def power_db(ratio: float) -> float:
    """A ratio of powers in dB, minus infinity for none."""
    return 10.0 * math.log10(ratio) if ratio > 0.0 else -math.inf
