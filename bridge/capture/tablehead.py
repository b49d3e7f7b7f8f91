"""What the top of a table says: separator, decimal mark, columns, units, sample rate.

Record Length,86026            preamble: name and value
Sample Interval,1.0e-05
# sample_rate = 100000 Hz      comment
Time (ms);Channel 1 (V)        names, with units; or units on a line of their own
-50,00000000;17,98046          rows: the first of several lines that are alike
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from bridge.capture.rate import round_rate
from bridge.capture.source import Source

LOOK_LINES = 400  # lines among which the rows must have begun
SAME_LINES = 12  # rows that must look alike
COLUMNS_MOST = 256
COMMENTS = ("#", "//", "%", "!", "'", "--")
SEPARATORS = ("\t", ";", ",", "|", " ")
TIME_UNITS_S = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
    "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "microsecond": 1e-6, "microseconds": 1e-6,
    "ns": 1e-9, "nsec": 1e-9, "nanosecond": 1e-9, "nanoseconds": 1e-9, "ps": 1e-12,
}  # fmt: skip
VOLT_UNITS = {
    "v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "millivolt": 1e-3, "millivolts": 1e-3,
    "uv": 1e-6, "µv": 1e-6, "μv": 1e-6, "kv": 1e3,
}  # fmt: skip
RATE_UNITS_HZ = {
    "": 1.0, "hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9, "s/s": 1.0, "ks/s": 1e3,
    "ms/s": 1e6, "gs/s": 1e9, "sa/s": 1.0, "ksa/s": 1e3, "msa/s": 1e6, "gsa/s": 1e9,
    "sps": 1.0, "ksps": 1e3, "msps": 1e6, "samples/s": 1.0,
}  # fmt: skip
LEVEL_WORDS = {
    "0": 0, "1": 1, "low": 0, "high": 1, "l": 0, "h": 1, "false": 0, "true": 1, "off": 0,
    "on": 1, "x": 2, "z": 2, "-": 2,
}  # fmt: skip

_NUMBER = r"[+-]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][+-]?\d+)?"
_IS_NUMBER = {
    ".": re.compile(_NUMBER),
    ",": re.compile(_NUMBER.replace("[.]", "[,]")),
}
_ODD = re.compile(r"[+-]?(?:nan|inf|infinity|overload|overflow|ovl)", re.IGNORECASE)
_RATE = re.compile(
    r"(?:sampl\w*[ _-]*(?:rate|freq\w*)|\bfs\b|\brate(?:[ _-]*hz)?\b|\bf_?s(?:ample)?\b)"
    rf"[^0-9+-]{{0,24}}?\s*(?P<n>{_NUMBER}|\d+,\d+(?:[eE][+-]?\d+)?)\s*(?P<u>[kmg]?(?:hz|s/s|sa/s|sps|samples/s))?",
    re.IGNORECASE,
)
_INTERVAL = re.compile(
    r"(?:sampl\w*[ _-]*(?:interval|period|time|step)|x[ _-]*incr\w*|\bdelta[ _-]*t\b|\bdt(?:[ _-]*s)?\b|time[ _-]*(?:step|interval|resolution|base incr\w*)|\bincrement\b|\binterval\b)"
    rf"(?P<gap>[^0-9+-]{{0,24}}?)\s*(?P<n>{_NUMBER}|\d+,\d+(?:[eE][+-]?\d+)?)\s*(?P<u>ns|us|µs|μs|ms|s|ps)?\b",
    re.IGNORECASE,
)
_START = re.compile(
    r"(?:x[ _-]*(?:origin|zero|offset|start)|start[ _-]*time|\bt_?0\b|first[ _-]*sample[ _-]*time)"
    rf"(?P<gap>[^0-9+-]{{0,24}}?)\s*(?P<n>{_NUMBER}|[+-]?\d+,\d+(?:[eE][+-]?\d+)?)\s*(?P<u>ns|us|µs|μs|ms|s|ps)?\b",
    re.IGNORECASE,
)
_TIME_NAMES = re.compile(
    r"(?:time|times|t|x|x-axis|x axis|seconds?|timestamp|time[ _].*|t_.*|.*[ _]time|elapsed.*|abszisse)$",
    re.IGNORECASE,
)
_INDEX_NAMES = re.compile(
    r"(?:#|n|no|nr|index|idx|sample|samples|point|row|sample[ _]?(?:no|number|index|#)?|.*[ _]index)\.?$",
    re.IGNORECASE,
)
_UNIT_TAIL = re.compile(
    r"^(?P<name>.*?)\s*(?:[(\[{]\s*(?P<in>[^)\]}]*)[)\]}]|[ _/,]\s*(?P<bare>\S+))\s*$"
)


@dataclass(frozen=True, slots=True)
class Style:
    """How a row is written."""

    separator: str | None  # None: one column
    decimal: str
    columns: int


@dataclass(frozen=True, slots=True)
class Top:
    """What stands above the rows, and the first rows as text fields."""

    style: Style
    first_line: int  # line number of the first row
    octets: int  # byte offset of the first row
    names: tuple[str, ...]
    units: tuple[str, ...]  # as written, "" where none
    rate_hz: float | None
    start_s: float | None
    rows: tuple[tuple[str, ...], ...]


def split_row(line: str, style: Style) -> list[str]:
    """Cut a row into fields without quotes and surrounding space."""
    line = line.strip("\r\n\0")
    if style.separator is None:
        return [line.strip(" \t\"'")]
    if style.separator == " ":
        return line.split()
    if '"' in line:
        return [field.strip(" \t\"'") for field in _split_quoted(line, style.separator)]
    return [field.strip() for field in line.split(style.separator)]


def is_number(field: str, decimal: str) -> bool:
    """Tell whether a field is a number, also one that is not finite."""
    return bool(_IS_NUMBER[decimal].fullmatch(field) or _ODD.fullmatch(field))


def looks_like_table(source: Source) -> bool:
    """Tell whether the first lines hold rows of numbers."""
    return read_top(source) is not None


def read_top(source: Source) -> Top | None:
    """Understand the first stretch of a table; None when no rows of numbers are found."""
    text = source.head.decode("utf-8", "surrogateescape").removeprefix("\ufeff")
    lines = text.split("\n")
    if len(lines) > 1:
        lines = lines[:-1]  # the last one may be cut
    lines = lines[:LOOK_LINES]
    best: tuple[int, Style] | None = None
    most = (0.0, 0)
    for style in _styles():
        start = _find_rows(lines, style)
        if start is None:
            continue
        counts = Counter(len(split_row(line, style)) for line in lines[start : start + SAME_LINES])
        full = Style(style.separator, style.decimal, counts.most_common(1)[0][0])
        if full.columns > COLUMNS_MOST or _is_split_decimal(lines[start:], full):
            continue
        score = (_count_numbers(lines[start : start + SAME_LINES], full), full.columns)
        if score > most:
            most, best = score, (start, full)
    if best is None:
        return None
    start, style = best
    while start > 0 and _is_row(split_row(lines[start - 1], style), style):
        start -= 1
    rows = []
    for line in lines[start:]:
        fields = split_row(line, style)
        if len(fields) == style.columns and _is_row(fields, style):
            rows.append(tuple(fields))
    above = lines[:start]
    names, units = _read_names(above, style, rows)
    rate_hz, start_s = _read_preamble(above, style)
    octets = sum(len(line.encode("utf-8", "surrogateescape")) + 1 for line in above)
    return Top(style, start + 1, octets, names, units, rate_hz, start_s, tuple(rows))


def _styles() -> list[Style]:
    return [
        Style(separator, decimal, 0)
        for separator in (*SEPARATORS, None)
        for decimal in (".", ",")
        if separator != decimal
    ]


def _find_rows(lines: list[str], style: Style) -> int | None:
    """First line from which on several lines are rows of one number of columns."""
    run = width = 0
    start = None
    for n, line in enumerate(lines):
        fields = split_row(line, style)
        if not _is_row(fields, style) or (style.separator is not None and len(fields) < 2):
            if line.strip():
                run = 0
            continue
        if run == 0 or len(fields) != width:
            run, width, start = 0, len(fields), n
        run += 1
        if run >= SAME_LINES:
            return start
    return start if run >= 2 or (run == 1 and len(lines) == 1) else None


def _is_row(fields: list[str], style: Style) -> bool:
    numbers = sum(is_number(field, style.decimal) for field in fields)
    levels = sum(field.casefold() in LEVEL_WORDS for field in fields)
    if not numbers or fields[0][:1] in COMMENTS[:1]:
        return False
    # a preamble line holds a name and a number, a row may hold an empty or a text column
    others = [f for f in fields if f and not is_number(f, style.decimal)]
    texts = [f for f in others if f.casefold() not in LEVEL_WORDS]
    return not texts or (
        numbers + levels >= 2
        and len(texts) <= 1
        and len(fields) > 2
        and is_number(fields[0], style.decimal)
    )


def _is_split_decimal(lines: list[str], style: Style) -> bool:
    """Tell whether two columns at a comma are one number with a decimal comma."""
    if style.separator != "," or style.columns != 2:
        return False
    fields = [split_row(line, style) for line in lines]
    pairs = [
        pair
        for pair in fields
        if len(pair) == 2 and pair[0].lstrip("+-").isdecimal() and pair[1].isdecimal()
    ]
    if len(pairs) < len([line for line in lines if line.strip()]):
        return False
    return (
        any(len(pair[1]) > 1 and pair[1][0] == "0" for pair in pairs)
        and len({len(pair[1]) for pair in pairs}) == 1
    )


def _count_numbers(lines: list[str], style: Style) -> float:
    """Share of the filled fields that are numbers or levels."""
    fields = [field for line in lines for field in split_row(line, style) if field]
    good = sum(
        is_number(field, style.decimal) or field.casefold() in LEVEL_WORDS for field in fields
    )
    return round(good / max(len(fields), 1), 2)


def _split_quoted(line: str, separator: str) -> list[str]:
    return re.findall(rf'(?:^|{re.escape(separator)})("[^"]*"|[^{re.escape(separator)}]*)', line)


def _read_names(
    above: list[str], style: Style, rows: list[tuple[str, ...]]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units from the last lines above the rows that have as many fields."""
    names = [""] * style.columns
    units = [""] * style.columns
    heads: list[list[str]] = []
    for line in reversed(above):
        bare = line.strip().lstrip("#%!;/").strip() if line.strip().startswith(COMMENTS) else line
        if not bare.strip():
            continue
        plain = style if style.separator else Style(None, style.decimal, 1)
        fields = split_row(bare, plain)
        if style.separator == " " and len(fields) != style.columns:
            fields = re.split(r"\s{2,}|\t", bare.strip())
        if len(fields) != style.columns or len(heads) == 2:
            break
        if style.columns == 1 and re.search(r"[=:]|\d{3}", bare):
            break
        if style.columns == 2 and any(is_number(f, ".") for f in fields[1:]):
            break  # name and value: a preamble
        heads.append(fields)
        if len(heads) == 1 and not all(_is_unit(field) or not field for field in fields):
            break
    if heads and all(_is_unit(field) or not field for field in heads[0]) and len(heads) > 1:
        units, names = heads[0], heads[1]
    elif heads:
        names = heads[0]
    split = [_split_unit(name, unit) for name, unit in zip(names, units, strict=True)]
    return tuple(name for name, _ in split), tuple(unit for _, unit in split)


def _is_unit(field: str) -> bool:
    bare = field.strip(" ()[]{}").casefold()
    return bare in TIME_UNITS_S or bare in VOLT_UNITS or bare in ("", "-", "a", "ma", "db", "bit")


def _split_unit(name: str, unit: str) -> tuple[str, str]:
    """Part `Time (ms)`, `time_us`, `Volts`, `CH1 [V]` into name and unit."""
    if unit.strip(" ()[]{}"):
        return name, unit.strip(" ()[]{}")
    found = _UNIT_TAIL.match(name)
    if found:
        tail = found["in"] if found["in"] is not None else found["bare"]
        known = tail.casefold() in TIME_UNITS_S or tail.casefold() in VOLT_UNITS
        if found["in"] is not None or (known and tail.casefold() not in ("x",)):
            return found["name"] or name, tail
    if name.casefold() in VOLT_UNITS or name.casefold() in TIME_UNITS_S:
        return name, name
    return name, ""


def _read_preamble(above: list[str], style: Style) -> tuple[float | None, float | None]:
    rate_hz = start_s = None
    for line in above:
        if found := _RATE.search(line):
            value = _to_number(found["n"]) * RATE_UNITS_HZ[(found["u"] or "").casefold()]
            if not found["u"]:
                for unit, factor in RATE_UNITS_HZ.items():
                    if unit and re.search(
                        rf"(?<![a-z/]){re.escape(unit)}(?![a-z/])", line.casefold()
                    ):
                        value *= factor
                        break
            if value > 0:
                rate_hz = rate_hz or value
        elif found := _INTERVAL.search(line):
            value = _to_number(found["n"]) * _find_time_unit(found)
            if value > 0:
                rate_hz = rate_hz or round_rate(1 / value, 1e-9)
        elif found := _START.search(line):
            start_s = _to_number(found["n"]) * _find_time_unit(found)
    return rate_hz, start_s


def _find_time_unit(found: re.Match[str]) -> float:
    if found["u"]:
        return TIME_UNITS_S[found["u"].casefold()]
    inside = re.search(r"[(\[_ ](ns|us|µs|μs|ms|s|ps)\b", found["gap"], re.IGNORECASE)
    return TIME_UNITS_S[inside[1].casefold()] if inside else 1.0


def _to_number(text: str) -> float:
    return float(text.replace(",", "."))


def is_time_name(name: str, unit: str) -> bool:
    """Tell whether a column of that name and unit holds times."""
    return unit.casefold() in TIME_UNITS_S or _TIME_NAMES.match(name.strip()) is not None


def is_index_name(name: str) -> bool:
    """Tell whether a column of that name numbers the samples."""
    return _INDEX_NAMES.match(name.strip()) is not None
