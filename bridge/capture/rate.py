"""Sample rates as recorders have them."""

from __future__ import annotations


def round_rate(rate_hz: float, slack: float) -> float:
    """Round a rate as far as a relative `slack` allows; recorders run at round rates.

    >>> round_rate(249999.2, 1e-5), round_rate(44099.9, 1e-5), round_rate(123456.789, 1e-9)
    (250000.0, 44100.0, 123456.789)
    """
    for digits in range(-8, 3):
        rounded = round(rate_hz, digits)
        if rounded > 0 and abs(rounded / rate_hz - 1) <= slack:
            return float(rounded)
    return rate_hz
