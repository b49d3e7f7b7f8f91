"""The words at the top of tables: units, names of columns, lines of a preamble; no I/O."""

from __future__ import annotations

import re
from functools import cache

from bridge.capture.rate import round_rate

TIME_UNITS_S = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
    "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "microsecond": 1e-6, "microseconds": 1e-6,
    "ns": 1e-9, "nsec": 1e-9, "nanosecond": 1e-9, "nanoseconds": 1e-9, "ps": 1e-12,
}  # fmt: skip
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
OTHER_UNITS = frozenset(
    {"", "-", "a", "ma", "w", "db", "dbm", "bit", "bits", "counts", "lsb", "raw"}
)
LEVEL_WORDS = {
    "0": 0, "1": 1, "low": 0, "high": 1, "l": 0, "h": 1, "false": 0, "true": 1, "off": 0,
    "on": 1, "x": 2, "z": 2, "-": 2,
}  # fmt: skip

_RATE_WORDS = (
    r"sampl\w*[ _-]*(?:rate|freq\w*)", r"\bfs\b", r"\brate(?:[ _-]*hz)?\b",
)  # fmt: skip
_INTERVAL_WORDS = (
    r"sampl\w*[ _-]*(?:interval|period|time|step)", r"x[ _-]*incr\w*", r"\bdelta[ _-]*t\b",
    r"\bdt(?:[ _-]*s)?\b", r"time[ _-]*(?:step|interval|resolution)",
    r"horiz\w*[ _-]*(?:interval|resolution|step)", r"\bincrement\b", r"\binterval\b",
)  # fmt: skip
_START_WORDS = (
    r"x[ _-]*(?:origin|zero|offset|start)", r"start[ _-]*time", r"\bt_?0\b",
    r"first[ _-]*sample[ _-]*time",
)  # fmt: skip
_RATE_UNIT = r"(?P<unit>[kmg]?(?:hz|sa/s|s/s|sps)|samples/s)?"
_TIME_UNIT = r"(?P<unit>ns|us|µs|μs|ms|s|ps)?\b"
_TIME_NAMES = re.compile(
    r"(?:times?|t|x|x[- ]axis|seconds?|timestamp|time[ _].*|t_.*|.*[ _]time|elapsed.*)$",
    re.IGNORECASE,
)
_INDEX_NAMES = re.compile(
    r"(?:#|n|no|nr|index|idx|samples?|point|row|sample[ _]?(?:no|number|index|#)|.*[ _]index)\.?$",
    re.IGNORECASE,
)
_UNIT_TAIL = re.compile(
    r"(?P<name>.*?)\s*(?:[(\[{]\s*(?P<in>[^)\]}]*)[)\]}]|[ _/,]\s*(?P<bare>\S+))\s*"
)


def is_unit(field: str) -> bool:
    """Tell whether a field is a unit or empty."""
    bare = field.strip(" ()[]{}").casefold()
    return bare in TIME_UNITS_S or bare in VOLT_UNITS or bare in OTHER_UNITS


def is_time_name(name: str, unit: str) -> bool:
    """Tell whether a column of that name and unit holds times."""
    return unit.casefold() in TIME_UNITS_S or _TIME_NAMES.match(name.strip()) is not None


def is_index_name(name: str) -> bool:
    """Tell whether a column of that name numbers the samples."""
    return _INDEX_NAMES.match(name.strip()) is not None


def split_unit(name: str, unit: str = "") -> tuple[str, str]:
    """Part a heading into name and unit.

    >>> split_unit("Time (ms)"), split_unit("time_us"), split_unit("CH1 [V]"), split_unit("Volts")
    (('Time', 'ms'), ('time', 'us'), ('CH1', 'V'), ('Volts', 'Volts'))
    """
    given = unit.strip(" ()[]{}")
    if given:
        return name, given
    found = _UNIT_TAIL.fullmatch(name)
    if found and found["in"] is not None:
        return found["name"] or name, found["in"]
    if found and found["bare"].casefold() in {**TIME_UNITS_S, **VOLT_UNITS}:
        return found["name"] or name, found["bare"]
    if name.casefold() in VOLT_UNITS or name.casefold() in TIME_UNITS_S:
        return name, name
    return name, ""


def read_rate(line: str, decimal: str) -> float | None:
    """Find a sample rate in Hz in a line, told as rate or as interval.

    >>> read_rate("# sample_rate = 100 kHz", "."), read_rate("Sample Interval,1.0e-05", ".")
    (100000.0, 100000.0)
    """
    if found := _pattern(_RATE_WORDS, _RATE_UNIT, decimal).search(line):
        unit = (found["unit"] or "").casefold()
        if not unit:  # Sample Rate [kHz],100
            within = re.search(_RATE_UNIT.removesuffix("?") + r"\b", found["gap"], re.IGNORECASE)
            unit = within["unit"].casefold() if within else "hz"
        value = _to_number(found["number"]) * RATE_UNITS_HZ[unit]
        return value if 0 < value < float("inf") else None
    if found := _pattern(_INTERVAL_WORDS, _TIME_UNIT, decimal).search(line):
        value = _to_number(found["number"]) * _find_unit_s(found)
        return round_rate(1 / value, 1e-9) if 1e-15 < value < 1e6 else None
    return None


def read_start(line: str, decimal: str) -> float | None:
    """Find the time of the first sample in a line, in seconds."""
    if found := _pattern(_START_WORDS, _TIME_UNIT, decimal).search(line):
        value = _to_number(found["number"]) * _find_unit_s(found)
        return value if abs(value) < 1e9 else None
    return None


@cache
def _pattern(words: tuple[str, ...], unit: str, decimal: str) -> re.Pattern[str]:
    mark = "[.,]" if decimal == "," else "[.]"
    number = rf"(?P<number>[+-]?(?:\d+(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d+)?)"
    gap = r"(?P<gap>[^0-9+-]{0,24}?)\s*"
    return re.compile(rf"(?:{'|'.join(words)}){gap}{number}\s*{unit}", re.IGNORECASE)


def _find_unit_s(found: re.Match[str]) -> float:
    if found["unit"]:
        return TIME_UNITS_S[found["unit"].casefold()]
    inside = re.search(r"[(\[_ ](ns|us|µs|μs|ms|s|ps)\b", found["gap"], re.IGNORECASE)
    return TIME_UNITS_S[inside[1].casefold()] if inside else 1.0


def _to_number(text: str) -> float:
    return float(text.replace(",", "."))
