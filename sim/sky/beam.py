"""What a dish hears off its axis: beamwidth, gain, main lobe and side lobes.

Angles off the axis in deg, gains in dBi, losses as negative dB. The side lobes are the envelope of
a published reference pattern, which real ones stay under: neighbours are never flattered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.errors import YardError

LIGHT_M_S = 299792458.0  # m/s, speed of light (SI)
BEAMWIDTH_FACTOR_DEG = 70.0  # deg, half-power beamwidth times D / lambda (common practice)
MAIN_LOBE_DB = 12.0  # dB lost one beamwidth off the axis (WRC-15 Final Acts, Res. 553, Fig. 1 A)
SMALLEST_WAVELENGTHS = 11.0  # 1, diameter of the smallest dish in ITU-R BO.1213 (from memory)


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
            "diameter_m": (0.1, 100.0, " m"),
            "frequency_ghz": (0.5, 100.0, " GHz"),
            "efficiency": (0.01, 1.0, ""),
        }
        for key, (low, high, unit) in limits.items():
            value = getattr(self, key)
            if not low <= value <= high:
                raise YardError(
                    f"{key} {value:g} is not within {low:g} to {high:g}{unit}; check its unit"
                )
        if self.wavelengths < SMALLEST_WAVELENGTHS:
            least_m = SMALLEST_WAVELENGTHS * wavelength_m(self.frequency_ghz)
            raise YardError(
                f"diameter_m {self.diameter_m:g} is only {self.wavelengths:.1f} wavelengths at"
                f" {self.frequency_ghz:g} GHz; a dish needs {SMALLEST_WAVELENGTHS:g} or more, which"
                f" is {least_m:.2f} m; check diameter_m and frequency_ghz"
            )

    @property
    def wavelengths(self) -> float:
        """Diameter over wavelength."""
        return self.diameter_m / wavelength_m(self.frequency_ghz)

    @property
    def beamwidth_deg(self) -> float:
        """Half-power beamwidth, from one side to the other."""
        return half_power_beamwidth_deg(self.diameter_m, self.frequency_ghz)

    @property
    def gain_dbi(self) -> float:
        """Gain on the axis."""
        return 10.0 * math.log10(self.efficiency * (math.pi * self.wavelengths) ** 2)

    def off_axis_deg(self, loss_db: float) -> float:
        """The angle off the axis at which the main lobe has lost this much.

        >>> round(Reflector(1.2, 12.0).off_axis_deg(1.0), 2)
        0.42
        """
        return self.beamwidth_deg * math.sqrt(loss_db / MAIN_LOBE_DB)

    def off_axis_dbi(self, off_deg: float) -> float:
        """Gain off the axis: the main lobe down to the side lobes of ITU-R BO.1213."""
        main_dbi = self.gain_dbi + main_lobe_db(off_deg, self.beamwidth_deg)
        first_side_lobe_deg = 95.0 / self.wavelengths
        return max(main_dbi, _side_lobe_dbi(max(abs(off_deg), first_side_lobe_deg)))


def wavelength_m(frequency_ghz: float) -> float:
    """Wavelength in free space."""
    return LIGHT_M_S / (frequency_ghz * 1e9)


def half_power_beamwidth_deg(diameter_m: float, frequency_ghz: float) -> float:
    """Half-power beamwidth of a dish of any size, from one side to the other.

    >>> round(half_power_beamwidth_deg(1.2, 12.0), 3)
    1.457
    """
    return BEAMWIDTH_FACTOR_DEG / (diameter_m / wavelength_m(frequency_ghz))


def main_lobe_db(off_deg: float, beamwidth_deg: float) -> float:
    """Level in the main lobe against the axis: 3 dB down at half the beamwidth.

    WRC-15 Final Acts, Resolution 553, Fig. 1 curve A, which gives it up to half the beamwidth.

    >>> main_lobe_db(0.7, 1.4)
    -3.0
    """
    return -MAIN_LOBE_DB * (off_deg / beamwidth_deg) ** 2


def _side_lobe_dbi(off_deg: float) -> float:
    """Side-lobe envelope of ITU-R BO.1213, as read in public code."""
    if off_deg <= 10.0 ** (34.0 / 25.0):
        return 29.0 - 25.0 * math.log10(off_deg)
    return -5.0 if off_deg <= 70.0 else 0.0
