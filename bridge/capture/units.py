"""Units of time, voltage and sample rate as files write them, and rates rounded.

The spellings are those of common practice.
"""

from __future__ import annotations

PER_SECOND = {  # time units of VCD (IEEE 1364, $timescale) -> how many are a second
    "s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9, "ps": 10**12, "fs": 10**15,
}  # fmt: skip
_TIME_WORDS = {
    "s": "s sec secs second seconds",
    "ms": "ms msec millis millisecond milliseconds",
    "us": "us µs μs usec micros microsecond microseconds",
    "ns": "ns nsec nanosecond nanoseconds",
    "ps": "ps",
}
TIME_UNITS_S = {
    word: 1 / PER_SECOND[unit] for unit, words in _TIME_WORDS.items() for word in words.split()
}
VOLT_UNITS = {
    "v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "millivolt": 1e-3, "millivolts": 1e-3,
    "uv": 1e-6, "µv": 1e-6, "μv": 1e-6, "kv": 1e3,
    "v dc": 1.0, "mv dc": 1e-3, "v ac": 1.0, "mv ac": 1e-3,
}  # fmt: skip
RATE_UNITS_HZ = {
    "hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9, "s/s": 1.0, "ks/s": 1e3, "ms/s": 1e6,
    "gs/s": 1e9, "sa/s": 1.0, "ksa/s": 1e3, "msa/s": 1e6, "gsa/s": 1e9, "sps": 1.0,
    "ksps": 1e3, "msps": 1e6, "samples/s": 1.0,
}  # fmt: skip


def units_per_second(unit_s: float) -> int:
    """Give a whole divisor: a division keeps the decimal digits that were written.

    >>> 59 / units_per_second(1e-3), 59 * 1e-3
    (0.059, 0.059000000000000004)
    """
    return round(1 / unit_s)


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
