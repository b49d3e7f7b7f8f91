"""Carrier to noise at the receiver for wherever the dish points, and what its meter shows of it.

Every satellite in view counts, each as the beam, the polarization and the rain let it through:
the strongest is what the meter reads, all others disturb it, as if all used one frequency.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from bridge.errors import YardError
from sim.sky.beam import Reflector, wavelength_m
from sim.sky.belt import Obstacle, Site, hidden_by, look_angles, require_longitude
from sim.sky.meter import Meter
from sim.sky.mount import Mount
from sim.sky.polarization import power_taken, residual_tilts_deg
from sim.sky.vector import Vector, dot, unit

BOLTZMANN_J_K = 1.380649e-23  # J/K, Boltzmann constant (SI)
RAIN_K = 275.0  # K, temperature of rain as the dish sees it (ITU-R P.618, from memory)


@dataclass(frozen=True, slots=True)
class Downlink:
    """What a satellite sends toward the site; `horizontal` None means both polarizations."""

    longitude_deg: float
    eirp_dbw: float = 50.0  # dBW, common practice for Ku band broadcast
    horizontal: bool | None = None

    def __post_init__(self) -> None:
        require_longitude(self.longitude_deg)
        if not 0.0 <= self.eirp_dbw <= 80.0:
            raise YardError(
                f"eirp_dbw {self.eirp_dbw:g} is not within 0 to 80 dBW;"
                " 35 to 55 is usual toward the middle of a service area"
            )


@dataclass(frozen=True, slots=True)
class _Wave:
    """One polarization of one satellite as it arrives at the site."""

    towards: Vector  # unit vector along noon, west and axis of the mount
    level_dbw: float  # on an isotropic antenna
    tilt_deg: float  # of its polarization, clockwise from the mount's axis
    horizontal: bool


class LinkBudget:
    """A dish on its mount under its satellites, worked out once for many readings."""

    def __init__(
        self,
        site: Site,
        mount: Mount,
        reflector: Reflector,
        downlinks: Iterable[Downlink],
        *,
        obstacles: Iterable[Obstacle] = (),
        meter: Meter | None = None,
    ) -> None:
        self.reflector = reflector
        self.meter = Meter() if meter is None else meter
        self._offset_rad = math.radians(mount.declination_offset_deg)
        self._waves: list[_Wave] = []
        axis, noon, west = mount.axes
        mask = tuple(obstacles)
        for downlink in downlinks:
            longitude_deg = downlink.longitude_deg
            if hidden_by(site, longitude_deg, mask) is not None:
                continue
            sight = unit(site.to_satellite(longitude_deg))
            towards = (dot(sight, noon), dot(sight, west), dot(sight, axis))
            range_km = look_angles(site, longitude_deg).range_km
            level = downlink.eirp_dbw - path_loss_db(range_km, reflector.frequency_ghz)
            tilts = residual_tilts_deg(site, mount, longitude_deg)
            if downlink.horizontal is not True:
                self._waves.append(_Wave(towards, level, tilts.vertical_deg, False))
            if downlink.horizontal is not False:
                self._waves.append(_Wave(towards, level, tilts.horizontal_deg + 90.0, True))

    def carrier_to_noise(
        self,
        hour_angle_deg: float,
        *,
        feed_deg: float = 0.0,
        horizontal: bool | None = None,
        rain_db: float = 0.0,
    ) -> float:
        """Strongest carrier over noise and everything else, as a ratio of powers; 0 for none.

        `feed_deg` turns the probe clockwise seen from behind the dish: 0 takes what is vertical at
        noon, 90 what is horizontal. `horizontal` tells which polarization the receiver is tuned
        to; None takes whatever is strongest.
        """
        hour = math.radians(hour_angle_deg)
        level = math.cos(self._offset_rad)
        beam = (level * math.cos(hour), level * math.sin(hour), -math.sin(self._offset_rad))
        noise = noise_dbw(self.meter.noise_k, self.meter.bandwidth_mhz, rain_db)
        leak = 10.0 ** (-self.meter.isolation_db / 10.0)
        best, total = 0.0, 0.0
        for wave in self._waves:
            half_chord = math.dist(beam, wave.towards) / 2.0
            off_deg = math.degrees(2.0 * math.asin(min(1.0, half_chord)))
            gain_dbi = self.reflector.off_axis_dbi(off_deg)
            taken = power_taken(feed_deg - wave.tilt_deg, leak)
            power = taken * 10.0 ** ((wave.level_dbw + gain_dbi - rain_db - noise) / 10.0)
            total += power
            if horizontal in (None, wave.horizontal):
                best = max(best, power)
        return best / (1.0 + total - best)

    def signal_db(
        self,
        hour_angle_deg: float,
        *,
        feed_deg: float = 0.0,
        horizontal: bool | None = None,
        rain_db: float = 0.0,
        noise: float = 0.0,
    ) -> float:
        """What the meter shows; `noise` is one standard normal draw, owned by the caller."""
        ratio = self.carrier_to_noise(
            hour_angle_deg, feed_deg=feed_deg, horizontal=horizontal, rain_db=rain_db
        )
        return self.meter.show(ratio, noise)


def path_loss_db(range_km: float, frequency_ghz: float) -> float:
    """Free-space loss between two isotropic antennas.

    >>> round(path_loss_db(38230.96, 12.0), 1)
    205.7
    """
    distance_wavelengths = range_km * 1000.0 / wavelength_m(frequency_ghz)
    return 20.0 * math.log10(4.0 * math.pi * distance_wavelengths)


def noise_dbw(noise_k: float, bandwidth_mhz: float, rain_db: float = 0.0) -> float:
    """Noise power in a bandwidth; rain takes from the carrier and also glows.

    >>> round(noise_dbw(100.0, 27.0), 1), round(noise_dbw(100.0, 27.0, 3.0), 1)
    (-134.3, -130.5)
    """
    system_k = noise_k + RAIN_K * (1.0 - 10.0 ** (-rain_db / 10.0))
    return 10.0 * math.log10(BOLTZMANN_J_K * system_k * bandwidth_mhz * 1e6)
