"""The words at the top of tables: units, names of columns, lines of a preamble; no I/O."""

from __future__ import annotations

import re
from functools import cache

from bridge.capture.units import RATE_UNITS_HZ, TIME_UNITS_S, VOLT_UNITS, round_rate

OTHER_UNITS = frozenset(  # common practice
    {"", "-", "a", "ma", "w", "db", "dbm", "bit", "bits", "counts", "lsb", "raw"}
)
LEVEL_WORDS = {  # words -> 0, 1 or unknown (common practice)
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
    """Find a sample rate in Hz in a line, written as rate or as interval.

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
