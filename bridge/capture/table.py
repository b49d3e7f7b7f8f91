"""Tables: CSV and TSV of oscilloscopes and logic analysers, with or without a time column.

A column is an analogue channel (`Samples`) unless it holds 0 and 1 only (`Edges`, whether the
rows come evenly or only on a change). Times that lie evenly give the rate; where rows are
missing or lie unevenly, analogue values are laid on an even grid by straight lines between
them. `--rate` and a preamble count only where rows carry no times.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.edges import drop_repeats
from bridge.capture.rate import round_rate
from bridge.capture.rows import read_rows
from bridge.capture.source import Source
from bridge.capture.tablehead import (
    LEVEL_WORDS,
    TIME_UNITS_S,
    VOLT_UNITS,
    Top,
    is_index_name,
    is_number,
    is_time_name,
    read_top,
)
from bridge.capture.trace import UNKNOWN_LEVEL, Capture, Edges, Samples, Trace
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeBlock, FloatBlock

BOM = b"\xef\xbb\xbf"
UNEVEN = 0.3  # of the usual interval: rows further off than this lie unevenly
FINE_LEAST_HZ, FINE_MOST_HZ = 1e3, 2e6  # rates between which uneven rows are laid out
GAP_MOST = 1 << 31  # samples laid between two rows at most
PIECE = 1 << 20
RATE_LEAST_HZ = 1000.0  # slower rows cannot tell slots of 0.5 ms: the unit must be wrong
EVEN_LEAST_HZ = 20_000.0  # the slowest even rows that a mended unit may lead to


@dataclass(frozen=True, slots=True)
class Clock:
    """Where a row's time comes from: a column of `unit_s`, or the row number and the rate."""

    column: int | None
    unit_s: float
    rate_hz: float
    start_s: float
    is_even: bool


def read_table(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read the top of the table; rows are read by passes."""
    top = read_top(source)
    if top is None:
        raise CaptureError(
            f"{source.name}: no rows of numbers within its first lines; write time and volts in"
            " columns, or one value a line"
        )
    notes: list[str] = []
    clock, channels = _find_clock(source, top, rate_hz, notes)
    traces: list[Trace] = []
    for column in channels:
        name = top.names[column] or f"column {column + 1}"
        if _is_logic(top, column):
            traces.append(
                Edges(
                    name, 1 / clock.rate_hz, clock.start_s, None,
                    partial(_edges, source, top, clock, column, block),
                )
            )  # fmt: skip
            continue
        unit = top.units[column].casefold()
        scale = VOLT_UNITS.get(unit, 1.0)
        whole = all(row[column].lstrip("+-").isdecimal() for row in top.rows)
        volts = unit in VOLT_UNITS or (not unit and not whole)
        traces.append(
            Samples(
                name, clock.rate_hz, clock.start_s, volts,
                partial(_samples, source, top, clock, column, scale, block),
            )
        )  # fmt: skip
    traces = _make_unique(traces)
    return Capture(source.name, tuple(traces), tuple(notes))


def _find_clock(
    source: Source, top: Top, rate_hz: float | None, notes: list[str]
) -> tuple[Clock, list[int]]:
    columns = range(top.style.columns)
    full = [c for c in columns if all(_is_value(row[c], top) for row in top.rows)]
    time = next(
        (
            c
            for c in full
            if is_time_name(top.names[c], top.units[c]) and not is_index_name(top.names[c])
        ),
        None,
    )
    index = next((c for c in full if is_index_name(top.names[c])), None)
    if time is None and index is None and len(full) > 1 and not any(top.names):
        grows = _values(top, full[0])
        if all(b > a for a, b in zip(grows, grows[1:], strict=False)) and len(grows) > 2:
            counts = all(b - a == 1 for a, b in zip(grows, grows[1:], strict=False))
            time, index = (None, full[0]) if counts else (full[0], None)
    if time is not None and len(full) > 1:
        channels = [c for c in full if c not in (time, index)]
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
    return Clock(None, 1.0, rate, top.start_s or 0.0, is_even=True), [c for c in full if c != index]


def _fit_clock(
    source: Source, top: Top, column: int, rate_hz: float | None, notes: list[str]
) -> Clock:
    """Rate and start from the times of the first rows."""
    unit_s = TIME_UNITS_S.get(top.units[column].casefold(), 1.0)
    times = np.array(_values(top, column)) * unit_s
    if times.size < 2 or not times[-1] > times[0]:
        raise CaptureError(
            f"{source.name}:{top.first_line}: the times of the first {times.size} rows do not"
            " grow; sort the rows or remove the time column"
        )
    back = np.flatnonzero(times[1:] < times[:-1])
    if back.size:
        n = int(back[0])
        raise CaptureError(
            f"{source.name}:{top.first_line + n + 1}: time {times[n + 1]:.9g} s is before"
            f" {times[n]:.9g} s; sort the rows or remove the time column"
        )
    unit_s, times = _mend_unit(source, top, column, unit_s, times, notes)
    mean_s = float(times[-1] - times[0]) / (times.size - 1)
    ideal = times[0] + np.arange(times.size) * mean_s
    off = float(np.abs(times - ideal).max())
    grain = max(float(10.0 ** -_places(top, column)) * unit_s, 1e-15)
    even = off <= max(UNEVEN * mean_s, 1.01 * grain)
    if even:
        slack = 2 * grain / float(times[-1] - times[0])
        rate = round_rate(1 / mean_s, slack)
        if top.rate_hz and abs(top.rate_hz / rate - 1) <= max(slack, 1e-6):
            rate = top.rate_hz
        elif rate_hz and abs(rate_hz / rate - 1) <= max(slack, 1e-6):
            rate = rate_hz
    else:
        steps = np.diff(times)
        usual = float(np.quantile(steps[steps > 0], 0.1))
        rate = min(max(1 / usual, FINE_LEAST_HZ), FINE_MOST_HZ)
    if rate_hz and abs(rate_hz / rate - 1) > 1e-3:
        notes.append(
            f"{source.name}: the time column says {rate:g} Hz; --rate {rate_hz:g} is not used"
        )
    return Clock(column, unit_s, rate, float(times[0]), is_even=bool(even))


def _mend_unit(
    source: Source, top: Top, column: int, unit_s: float, times: NDArray[np.float64],
    notes: list[str],
) -> tuple[float, NDArray[np.float64]]:  # fmt: skip
    """Take another unit where rows would come too slowly to hold a slot of the bus.

    Some recorders write microseconds under a header that says seconds; the note says so.
    """
    steps = np.diff(times)
    usual = float(np.quantile(steps[steps > 0], 0.1))
    even = float(steps.max()) < 1.5 * usual
    if usual * RATE_LEAST_HZ <= 1:
        return unit_s, times
    enough_hz = EVEN_LEAST_HZ if even else RATE_LEAST_HZ
    for name, other_s in (("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9)):
        if other_s < unit_s and usual / unit_s * other_s * enough_hz <= 1:
            said = top.units[column] or "no unit"
            notes.append(
                f"{source.name}: the header of the time column says {said}, which makes"
                f" {1 / usual:.3g} rows a second, too few for this bus; taken as {name}"
            )
            return other_s, times / unit_s * other_s
    return unit_s, times


def _places(top: Top, column: int) -> int:
    """Decimal places of the times as written, for their grain."""
    least = 12
    for row in top.rows[:200]:
        mantissa, _, exponent = row[column].casefold().partition("e")
        places = len(mantissa.partition(top.style.decimal)[2])
        least = min(least, places - (int(exponent) if exponent else 0))
    return least


def _is_value(field: str, top: Top) -> bool:
    return is_number(field, top.style.decimal) or field.casefold() in LEVEL_WORDS


def _values(top: Top, column: int) -> list[float]:
    values = []
    for row in top.rows:
        text = row[column].replace(top.style.decimal, ".")
        values.append(float(text) if is_number(text, ".") and text[-1:].isdigit() else float("nan"))
    return values


def _is_logic(top: Top, column: int) -> bool:
    return all(row[column].casefold() in LEVEL_WORDS for row in top.rows)


def _make_unique(traces: list[Trace]) -> list[Trace]:
    seen: dict[str, int] = {}
    unique = []
    for trace in traces:
        seen[trace.name] = seen.get(trace.name, 0) + 1
        again = seen[trace.name]
        unique.append(replace(trace, name=f"{trace.name} {again}") if again > 1 else trace)
    return unique


def _edges(source: Source, top: Top, clock: Clock, column: int, block: int) -> Iterator[EdgeBlock]:
    return drop_repeats(_levels(source, top, clock, column, block))


def _levels(source: Source, top: Top, clock: Clock, column: int, block: int) -> Iterator[EdgeBlock]:
    done = 0
    for times_s, values in _timed(source, top, clock, column, block):
        levels = np.where(values == 0, 0, np.where(values == 1, 1, UNKNOWN_LEVEL)).astype(np.uint8)
        if times_s is None:
            times_s = clock.start_s + np.arange(done, done + values.size) / clock.rate_hz
        done += values.size
        yield times_s, levels


def _samples(
    source: Source, top: Top, clock: Clock, column: int, scale: float, block: int
) -> Iterator[FloatBlock]:
    last_s, last = clock.start_s, np.float64(np.nan)
    done = 0  # samples given
    for times_s, values in _timed(source, top, clock, column, block):
        values = _fill(values, last)
        if scale != 1.0:
            values = values * scale
        if times_s is None or _is_aligned(times_s, clock, done):
            done += values.size
            with np.errstate(over="ignore"):
                yield values.astype(np.float32)
        else:
            for piece in _lay_out(times_s, values, last_s, float(last), clock, done):
                done += piece.size
                yield piece
        if values.size:
            last = values[-1]
            if times_s is not None:
                last_s = float(times_s[-1])


def _is_aligned(times_s: NDArray[np.float64], clock: Clock, done: int) -> bool:
    """Tell whether rows lie on the grid, one a sample; coarse times may repeat."""
    if not clock.is_even:
        return False
    off = (times_s - clock.start_s) * clock.rate_hz
    off -= np.arange(done, done + times_s.size)
    if float(off.max()) < 0.5 and float(off.min()) > -0.5:
        return True
    coarse = bool((times_s[1:] == times_s[:-1]).any())
    return coarse and float(np.abs(off).max()) < 0.02 * (done + times_s.size) + 100


def _lay_out(
    times_s: NDArray[np.float64], values: NDArray[np.float64], last_s: float, last: float,
    clock: Clock, done: int,
) -> Iterator[FloatBlock]:  # fmt: skip
    """Straight lines between uneven rows, read off at the samples from number `done` on."""
    until = int(np.floor((times_s[-1] - clock.start_s) * clock.rate_hz + 1e-6)) + 1
    if np.isfinite(last):
        times_s = np.concatenate(([last_s], times_s))
        values = np.concatenate(([last], values))
    for low in range(done, until, PIECE):
        at_s = clock.start_s + np.arange(low, min(low + PIECE, until)) / clock.rate_hz
        yield np.interp(at_s, times_s, values).astype(np.float32)


def _fill(values: NDArray[np.float64], last: np.float64) -> NDArray[np.float64]:
    """Put the value before it where a value is missing or no number."""
    good = np.isfinite(values)
    if good.all():
        return values
    at = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    if np.isnan(last):
        last = values[good][0] if good.any() else np.float64(0)
    return np.where(at >= 0, values[np.maximum(at, 0)], last)


def _timed(
    source: Source, top: Top, clock: Clock, column: int, block: int
) -> Iterator[tuple[NDArray[np.float64] | None, NDArray[np.float64]]]:
    """Times (None where the row number tells them) and values, rows in time order."""
    columns = [column] if clock.column is None else [clock.column, column]
    last_s = -np.inf
    for rows in read_rows(source, top, columns, block):
        if clock.column is None:
            yield None, rows.values[0]
            continue
        times_s = rows.values[0]
        if clock.unit_s != 1.0:
            times_s = times_s / round(1 / clock.unit_s)
        bad = np.flatnonzero(~(times_s[1:] >= times_s[:-1]))
        if not times_s[0] >= last_s or bad.size:
            n = 0 if not times_s[0] >= last_s else int(bad[0]) + 1
            before_s = last_s if n == 0 else times_s[n - 1]
            raise CaptureError(
                f"{source.name}:{rows.line_of(n)}: time {times_s[n]:.9g} s is not after"
                f" {before_s:.9g} s; sort the rows or remove the time column"
            )
        last_s = times_s[-1]
        yield times_s, rows.values[1]
