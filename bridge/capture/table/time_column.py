"""Which column of a table holds the times, and which are channels."""

from __future__ import annotations

from itertools import pairwise

from bridge.capture.clock import is_clock
from bridge.capture.source import Source
from bridge.capture.table.decimal_comma import is_number
from bridge.capture.table.head import Top
from bridge.capture.table.header_words import LEVEL_WORDS, is_index_name, is_time_name
from bridge.capture.table.time_base import COARSE_RATIO, TimeBase, fit_time_base, read_times
from bridge.errors import CaptureError

RAMP_ROWS = (
    8  # rows that must grow before a column under other names is taken for times (judgement)
)
SAME_RATE_SHARE = 1e-6  # of a rate, by which two that are given may differ (judgement)


def choose_columns(
    source: Source, top: Top, rate_hz: float | None, notes: list[str]
) -> tuple[TimeBase, list[int]]:
    """Find the time base and the columns of channels; add a note on what is not as written."""
    columns = range(top.style.columns)
    full = [n for n in columns if _is_channel([row[n] for row in top.rows], top)]
    time, index = _find_time(top, full)
    named = time is not None and is_time_name(top.names[time], top.units[time])
    daily = [n for n in columns if all(is_clock(row[n]) for row in top.rows)]
    if daily and not named:  # a clock outranks a column that merely grows
        notes.append(
            f"{source.name}: column {daily[0] + 1} tells the time of the day; times are seconds"
            " since the midnight before the first row"
        )
        channels = [n for n in full if n not in (*daily, index)]
        return fit_time_base(source, top, daily[0], rate_hz, notes), channels
    if time is not None:
        channels = [n for n in full if n not in (time, index)]
        return fit_time_base(source, top, time, rate_hz, notes), channels
    rate = rate_hz or top.rate_hz
    if rate is None:
        raise CaptureError(
            f"{source.name}: neither a time column nor a sample rate in it; give the rate in Hz"
            " with --rate"
        )
    if rate_hz and top.rate_hz and abs(rate_hz / top.rate_hz - 1) > SAME_RATE_SHARE:
        notes.append(
            f"{source.name}: the preamble says {top.rate_hz:g} Hz, --rate says {rate_hz:g} Hz;"
            " --rate is used"
        )
    base = TimeBase(None, 1.0, rate, top.start_s or 0.0, is_even=True, grain_s=1 / rate)
    return base, [n for n in full if n != index]


def _find_time(top: Top, full: list[int]) -> tuple[int | None, int | None]:
    """Columns of the time and of the row number, by name, else by how the first one grows."""
    if len(full) < 2:
        return None, None
    index = next((n for n in full if is_index_name(top.names[n])), None)
    for n in full:
        if n != index and is_time_name(top.names[n], top.units[n]):
            return n, index
    if index is not None:
        return None, index
    values = read_times(top, full[0])
    if len(values) < RAMP_ROWS and any(top.names):
        return None, None
    steps = [b - a for a, b in pairwise(values)]
    if not steps or not min(steps) > 0:
        return None, None
    if all(step == 1 for step in steps) and all(value.is_integer() for value in values):
        return None, full[0]
    if not any(top.names) or max(steps) < COARSE_RATIO * min(steps):
        return full[0], None
    return None, None


def _is_channel(fields: list[str], top: Top) -> bool:
    """Tell whether a column holds numbers or levels; some may be missing, not most."""
    filled = [field for field in fields if field]
    return 2 * len(filled) >= len(fields) and all(
        is_number(field, top.style.decimal) or field.casefold() in LEVEL_WORDS for field in filled
    )
