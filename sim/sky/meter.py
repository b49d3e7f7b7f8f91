"""How a receiver's signal meter shows a carrier to noise ratio."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Meter:
    """The receiver behind the dish and how its meter reads; all figures are common practice."""

    noise_k: float = 110.0  # K, converter and clear sky
    bandwidth_mhz: float = 27.0  # MHz, one transponder
    isolation_db: float = 28.0  # dB, the feed's own cross-polar isolation
    floor_db: float = 0.0  # dB, what it shows of an empty sky
    ceiling_db: float = 30.0  # dB, its own noise: nothing reads better
    ripple_db: float = 0.1  # dB, standard deviation from one reading to the next
    resolution_db: float = 0.1  # dB, one step of the display

    def show(self, ratio: float, noise: float = 0.0) -> float:
        """The dB shown for a carrier to noise ratio (of powers); `noise` is a standard normal draw.

        It compares power with the empty sky, so it reads a little high near its floor.

        >>> meter = Meter()
        >>> meter.show(0.0), meter.show(100.0), meter.show(1e9)
        (0.0, 19.6, 30.0)
        """
        internal = 10.0 ** (-self.ceiling_db / 10.0)
        limited = ratio / (1.0 + ratio * internal)
        shown = 10.0 * math.log10(10.0 ** (self.floor_db / 10.0) + limited)
        shown = max(self.floor_db, shown + self.ripple_db * noise)
        steps = round(shown / self.resolution_db)
        return round(steps * self.resolution_db, 6)
