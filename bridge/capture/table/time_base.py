"""How fast the rows of a table come: rate, start and evenness from the times of the first rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.clock import Midnights, is_clock, read_clock
from bridge.capture.source import Source
from bridge.capture.table.decimal_comma import is_number, to_number
from bridge.capture.table.head import Top
from bridge.capture.units import TIME_UNITS_S, round_rate, units_per_second
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]

TIME_MOST_S = 1e12  # s, beyond any capture (judgement)
EVEN_OFF = 0.3  # of an interval: rows further off than this lie unevenly (judgement)
EVEN_SHARE = 0.9  # of the steps that are alike where even rows are missing (judgement)
REPEATS_SHARE = 0.01  # of the steps that are 0 where times have too few digits (judgement)
# longest to shortest step of even rows with rounded times: 2, and rounding (judgement)
COARSE_RATIO = 2.2
SHORT_QUANTILE = 0.1  # of the steps: the usual short one, robust to single outliers (judgement)
FINE_LEAST_HZ, FINE_MOST_HZ = 1e3, 2e6  # Hz, rates at which uneven rows are resampled (judgement)
EDGE_GRAIN_S = 1e-6  # s, the grain of uneven times at most (judgement)
NAMED_LEAST_HZ = (
    4000.0  # Hz; slower even rows show no slots of 0.5 ms: the unit is wrong (judgement)
)
UNNAMED_LEAST_HZ = 8000.0  # Hz, the same where no unit is written (judgement)
# Hz, the same for rows on change: an envelope changes every 0.5 ms (judgement)
CHANGE_LEAST_HZ = 1000.0
CORRECTED_LEAST_HZ = 20_000.0  # Hz, the slowest even rows of a corrected unit (judgement)
RATE_SLACK = 1e-9  # of a rate: rounding of doubles (judgement)
OTHER_RATE_SHARE = 1e-3  # of a rate, from which a rate that is not used is noted (judgement)


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Where a row's time comes from: a column of `unit_s`, or the row number and the rate.

    `grain_s` is the resolution of the times, `off_samples` how far the times of even rows lie off
    their grid because they are written with few digits.
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


@dataclass(frozen=True, slots=True)
class FirstTimes:
    """Times of the first rows in s, shape (n,), growing; and how they are written."""

    column: int
    unit_s: float
    is_daily: bool
    times_s: Reals

    @property
    def steps_s(self) -> Reals:
        """Those of the steps that are not 0."""
        steps = np.diff(self.times_s)
        return steps[steps > 0]

    @property
    def mean_s(self) -> float:
        """Mean step."""
        return float(self.times_s[-1] - self.times_s[0]) / (self.times_s.size - 1)

    @property
    def off_s(self) -> float:
        """The largest distance of a row from where even rows would lie."""
        even = self.times_s[0] + np.arange(self.times_s.size) * self.mean_s
        return float(np.abs(self.times_s - even).max())

    @property
    def are_even(self) -> bool:
        """Whether rows lie evenly, apart from the rounding of their times."""
        steps, off_s = self.steps_s, self.off_s
        coarse = steps.max() <= COARSE_RATIO * steps.min() and off_s <= 1.01 * steps.max()
        return off_s <= EVEN_OFF * self.mean_s or bool(coarse)


def fit_time_base(
    source: Source, top: Top, column: int, rate_hz: float | None, notes: list[str]
) -> TimeBase:
    """Fit rate and start to the times of the first rows.

    `rate_hz` is what --rate gives. Raises CaptureError for times that do not grow.
    """
    first = _first_times(source, top, column)
    if not first.is_daily:
        first = _correct_unit(source, top.units[column], first, notes)
    if not first.are_even:
        return _fit_uneven(first)
    return _fit_even(source, top, first, rate_hz, notes)


def read_times(top: Top, column: int) -> list[float]:
    """Times of the first rows as written, of a clock in s; NaN where a field is none."""
    values = []
    for row in top.rows:
        field = row[column]
        value = read_clock(field)
        if value is None and is_number(field, top.style.decimal):
            value = to_number(field, top.style.decimal)
        values.append(float("nan") if value is None else value)
    return values


def _first_times(source: Source, top: Top, column: int) -> FirstTimes:
    is_daily = is_clock(top.rows[0][column])
    unit_s = 1.0 if is_daily else TIME_UNITS_S.get(top.units[column].casefold(), 1.0)
    times = np.array(read_times(top, column)) * unit_s
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
    return FirstTimes(column, unit_s, is_daily, times)


def _correct_unit(source: Source, named: str, first: FirstTimes, notes: list[str]) -> FirstTimes:
    """Take another unit where rows would come too slowly to hold a slot of the bus.

    Some recorders write microseconds under a header that says seconds; the note says so.
    """
    steps = first.steps_s
    usual_s = float(np.quantile(steps, SHORT_QUANTILE))
    is_even = float(np.median(steps)) < 1.5 * usual_s
    least_hz = (NAMED_LEAST_HZ if named else UNNAMED_LEAST_HZ) if is_even else CHANGE_LEAST_HZ
    if usual_s * least_hz <= 1:
        return first
    enough_hz = CORRECTED_LEAST_HZ if is_even else CHANGE_LEAST_HZ
    for name in ("ms", "us", "ns"):
        unit_s = TIME_UNITS_S[name]
        if unit_s < first.unit_s and usual_s / first.unit_s * unit_s * enough_hz <= 1:
            notes.append(
                f"{source.name}: the header of the time column says {named or 'no unit'}, which"
                f" makes {1 / usual_s:.3g} rows a second, too few for this bus; taken as {name}"
            )
            times = first.times_s / first.unit_s * unit_s
            return FirstTimes(first.column, unit_s, first.is_daily, times)
    return first


def _fit_uneven(first: FirstTimes) -> TimeBase:
    """Even rows of which some are missing, or rows with no grid at all."""
    steps, start_s = first.steps_s, float(first.times_s[0])
    usual_s = float(np.median(steps))
    regular = steps[np.abs(steps - usual_s) <= EVEN_OFF * usual_s]
    if regular.size >= EVEN_SHARE * steps.size:
        slack = 2 * float(np.ptp(regular)) / float(regular.sum()) + RATE_SLACK
        rate = round_rate(1 / float(regular.mean()), slack)
        return TimeBase(
            first.column, first.unit_s, rate, start_s, True, 1 / rate, is_daily=first.is_daily
        )
    usual_s = float(np.quantile(steps, SHORT_QUANTILE))
    rate = min(max(1 / usual_s, FINE_LEAST_HZ), FINE_MOST_HZ)
    grain_s = min(usual_s, EDGE_GRAIN_S)
    return TimeBase(
        first.column, first.unit_s, rate, start_s, False, grain_s, is_daily=first.is_daily
    )


def _fit_even(
    source: Source, top: Top, first: FirstTimes, rate_hz: float | None, notes: list[str]
) -> TimeBase:
    times, unit_s, mean_s, off_s = first.times_s, first.unit_s, first.mean_s, first.off_s
    start_s = float(times[0])
    slack = 2 * off_s / float(times[-1] - times[0]) + RATE_SLACK
    rate = round_rate(1 / mean_s, slack)
    for given in (top.rate_hz, rate_hz):
        if given and abs(given / rate - 1) <= slack:
            rate = given
    digit_s = _digit_s(top, first.column, unit_s)
    for given in (rate_hz, top.rate_hz):
        if given and abs(given / rate - 1) > slack and abs(1 / given - mean_s) < digit_s:
            notes.append(
                f"{source.name}: the time column grows by {mean_s / unit_s:g} a row, cut down from"
                f" {1 / given / unit_s:g} by its digits; the rate of {given:g} Hz is used instead"
            )
            return TimeBase(None, 1.0, given, start_s, is_even=True, grain_s=1 / given)
    if rate_hz and abs(rate_hz / rate - 1) > OTHER_RATE_SHARE:
        notes.append(
            f"{source.name}: the time column says {rate:g} Hz; --rate {rate_hz:g} is not used"
        )
    if off_s > 0.01 * mean_s:  # rounded times: the start is better known from all of them
        start_s += float(np.mean(times - start_s - np.arange(times.size) / rate))
    repeats = times.size - 1 - first.steps_s.size > REPEATS_SHARE * (times.size - 1)
    return TimeBase(
        first.column,
        unit_s,
        rate,
        start_s,
        True,
        max(1 / rate, off_s),
        off_s * rate,
        first.is_daily,
        repeats,
    )


def _digit_s(top: Top, column: int, unit_s: float) -> float:
    """The value of the last digit of the times in s; 0 where they have exponents."""
    texts = [row[column].replace(top.style.decimal, ".").lower() for row in top.rows]
    if any("e" in text for text in texts):
        return 0.0
    return unit_s * 10.0 ** -max(len(text.partition(".")[2]) for text in texts)
