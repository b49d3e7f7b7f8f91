"""Which column of a table tells the time, and how fast its rows come."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.clock import Midnights, is_clock, read_clock
from bridge.capture.source import Source
from bridge.capture.table.decimal_comma import is_number, to_number
from bridge.capture.table.head import Top
from bridge.capture.table.header_words import LEVEL_WORDS, is_index_name, is_time_name
from bridge.capture.units import TIME_UNITS_S, round_rate, units_per_second
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

TIME_MOST_S = 1e12  # s, beyond any capture
EVEN_OFF = 0.3  # of an interval: rows further off than this lie unevenly
EVEN_SHARE = 0.9  # of the steps that are alike where rows are even but some are missing
REPEATS_SHARE = 0.01  # of the steps that are 0 where times have too few digits (judgement)
COARSE_RATIO = 2.2  # longest to shortest step of even rows whose times are rounded
FINE_LEAST_HZ, FINE_MOST_HZ = 1e3, 2e6  # rates between which uneven rows are laid out
SAID_LEAST_HZ = 4000.0  # slower even rows do not show slots of 0.5 ms: the unit must be wrong
UNSAID_LEAST_HZ = 8000.0  # the same where no unit was written
CHANGE_LEAST_HZ = 1000.0  # the same for rows on change: an envelope changes every 0.5 ms
MENDED_LEAST_HZ = 20_000.0  # the slowest even rows that a mended unit may lead to
RAMP_ROWS = 8  # rows that must grow evenly before a column without a name is taken for times


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Where a row's time comes from: a column of `unit_s`, or the row number and the rate.

    `grain_s` is how finely times are told, `off_samples` how far the times of even rows are
    off their grid because they are written with few digits.
    """

    column: int | None
    unit_s: float
    rate_hz: float
    start_s: float
    is_even: bool
    grain_s: float
    off_samples: float = 0.0
    is_daily: bool = False  # times of the day, which start again at midnight
    repeats: bool = False  # rows come faster than the last digit of their times changes

    def to_seconds(self, times: NDArray[np.float64], midnights: Midnights) -> NDArray[np.float64]:
        """Turn values of the time column into seconds; `midnights` counts those of this pass."""
        if self.is_daily:
            return midnights.pass_over_all(times)
        return times if self.unit_s == 1.0 else times / units_per_second(self.unit_s)


def choose_columns(
    source: Source, top: Top, rate_hz: float | None, notes: list[str]
) -> tuple[TimeBase, list[int]]:
    """Find the clock and the columns of channels; notes tell what was not taken as written."""
    columns = range(top.style.columns)
    full = [n for n in columns if _is_channel([row[n] for row in top.rows], top)]
    time, index = _find_time(top, full)
    named = time is not None and is_time_name(top.names[time], top.units[time])
    daily = [n for n in columns if all(is_clock(row[n]) for row in top.rows)]
    if daily and not named:  # a clock goes before a column that merely grows
        notes.append(
            f"{source.name}: column {daily[0] + 1} tells the time of the day; times are seconds"
            " since the midnight before the first row"
        )
        channels = [n for n in full if n not in (*daily, index)]
        return _fit_clock(source, top, daily[0], rate_hz, notes), channels
    if time is not None:
        channels = [n for n in full if n not in (time, index)]
        return _fit_clock(source, top, time, rate_hz, notes), channels
    rate = rate_hz or top.rate_hz
    if rate is None:
        raise CaptureError(
            f"{source.name}: neither a time column nor a sample rate in it; give the rate in Hz"
            " with --rate"
        )
    if rate_hz and top.rate_hz and abs(rate_hz / top.rate_hz - 1) > 1e-6:
        notes.append(
            f"{source.name}: the preamble says {top.rate_hz:g} Hz, --rate says {rate_hz:g} Hz;"
            " --rate is used"
        )
    clock = TimeBase(None, 1.0, rate, top.start_s or 0.0, is_even=True, grain_s=1 / rate)
    return clock, [n for n in full if n != index]


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
    values = _values(top, full[0])
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


def _fit_clock(
    source: Source, top: Top, column: int, rate_hz: float | None, notes: list[str]
) -> TimeBase:
    """Rate and start from the times of the first rows."""
    is_daily = is_clock(top.rows[0][column])
    unit_s = 1.0 if is_daily else TIME_UNITS_S.get(top.units[column].casefold(), 1.0)
    times = np.array(_values(top, column)) * unit_s
    if is_daily:
        times = Midnights().pass_over_all(times)
    far = np.flatnonzero(np.abs(times) > TIME_MOST_S)
    if far.size:
        raise CaptureError(
            f"{source.name}:{top.lines[far[0]]}: time {times[far[0]]:.9g} s lies outside"
            f" {TIME_MOST_S:g} s either way; correct the row"
        )
    back = np.flatnonzero(~(times[1:] >= times[:-1]))
    if back.size:
        n = int(back[0])
        raise CaptureError(
            f"{source.name}:{top.lines[n + 1]}: time {times[n + 1]:.9g} s is not after"
            f" {times[n]:.9g} s; sort the rows or remove the time column"
        )
    if times.size < 2 or not times[-1] > times[0]:
        raise CaptureError(
            f"{source.name}:{top.first_line}: the times of the first {times.size} rows do not"
            " grow; sort the rows or remove the time column"
        )
    if not is_daily:
        unit_s, times = _mend_unit(source, top.units[column], unit_s, times, notes)
    span_s = float(times[-1] - times[0])
    steps = np.diff(times)
    repeats = np.count_nonzero(steps == 0) > REPEATS_SHARE * steps.size
    steps = steps[steps > 0]
    index = np.arange(times.size)
    off_s = float(np.abs(times - times[0] - index * (span_s / index[-1])).max())
    mean_s = span_s / index[-1]
    coarse = bool(steps.max() <= COARSE_RATIO * steps.min() and off_s <= 1.01 * steps.max())
    if off_s > EVEN_OFF * mean_s and not coarse:
        usual_s = float(np.median(steps))
        regular = np.abs(steps - usual_s) <= EVEN_OFF * usual_s
        if np.count_nonzero(regular) >= EVEN_SHARE * steps.size:  # even, with rows missing
            near = steps[regular]
            slack = 2 * float(np.ptp(near)) / float(near.sum()) + 1e-9
            rate = round_rate(1 / float(near.mean()), slack)
            return TimeBase(
                column, unit_s, rate, float(times[0]), True, 1 / rate, is_daily=is_daily
            )
        usual_s = float(np.quantile(steps, 0.1))
        rate = min(max(1 / usual_s, FINE_LEAST_HZ), FINE_MOST_HZ)
        grain_s = min(usual_s, 1e-6)
        return TimeBase(column, unit_s, rate, float(times[0]), False, grain_s, is_daily=is_daily)
    slack = 2 * off_s / span_s + 1e-9
    rate = round_rate(1 / mean_s, slack)
    for said in (top.rate_hz, rate_hz):
        if said and abs(said / rate - 1) <= slack:
            rate = said
    digit_s = _digit_s(top, column, unit_s)
    for said in (rate_hz, top.rate_hz):
        if said and abs(said / rate - 1) > slack and abs(1 / said - mean_s) < digit_s:
            notes.append(
                f"{source.name}: the time column grows by {mean_s / unit_s:g} a row, cut down from"
                f" {1 / said / unit_s:g} by its digits; the rate of {said:g} Hz is used instead"
            )
            return TimeBase(None, 1.0, said, float(times[0]), is_even=True, grain_s=1 / said)
    if rate_hz and abs(rate_hz / rate - 1) > 1e-3:
        notes.append(
            f"{source.name}: the time column says {rate:g} Hz; --rate {rate_hz:g} is not used"
        )
    start_s = float(times[0])
    if off_s > 0.01 * mean_s:
        start_s += float(np.mean(times - start_s - index / rate))
    grain_s = max(1 / rate, off_s)
    off_samples = off_s * rate
    return TimeBase(
        column, unit_s, rate, start_s, True, grain_s, off_samples, is_daily, bool(repeats)
    )


def _digit_s(top: Top, column: int, unit_s: float) -> float:
    """What the last digit of the times stands for, in s; 0 where they have exponents."""
    texts = [row[column].replace(top.style.decimal, ".").lower() for row in top.rows]
    if any("e" in text for text in texts):
        return 0.0
    return unit_s * 10.0 ** -max(len(text.partition(".")[2]) for text in texts)


def _mend_unit(
    source: Source, said: str, unit_s: float, times: NDArray[np.float64], notes: list[str]
) -> tuple[float, NDArray[np.float64]]:
    """Take another unit where rows would come too slowly to hold a slot of the bus.

    Some recorders write microseconds under a header that says seconds; the note says so.
    """
    steps = np.diff(times)
    usual = float(np.quantile(steps[steps > 0], 0.1))
    is_even = float(np.median(steps[steps > 0])) < 1.5 * usual
    least_hz = (SAID_LEAST_HZ if said else UNSAID_LEAST_HZ) if is_even else CHANGE_LEAST_HZ
    if usual * least_hz <= 1:
        return unit_s, times
    enough_hz = MENDED_LEAST_HZ if is_even else CHANGE_LEAST_HZ
    for name in ("ms", "us", "ns"):
        other_s = TIME_UNITS_S[name]
        if other_s < unit_s and usual / unit_s * other_s * enough_hz <= 1:
            notes.append(
                f"{source.name}: the header of the time column says {said or 'no unit'}, which"
                f" makes {1 / usual:.3g} rows a second, too few for this bus; taken as {name}"
            )
            return other_s, times / unit_s * other_s
    return unit_s, times


def _is_channel(fields: list[str], top: Top) -> bool:
    """Tell whether a column holds numbers or levels; some may be missing, not most."""
    filled = [field for field in fields if field]
    return 2 * len(filled) >= len(fields) and all(
        is_number(field, top.style.decimal) or field.casefold() in LEVEL_WORDS for field in filled
    )


def _values(top: Top, column: int) -> list[float]:
    """Times of the first rows, as written; NaN where a field is none."""
    values = []
    for row in top.rows:
        field = row[column]
        value = read_clock(field)
        if value is None and is_number(field, top.style.decimal):
            value = to_number(field, top.style.decimal)
        values.append(float("nan") if value is None else value)
    return values
