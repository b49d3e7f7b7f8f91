"""Tables: CSV and TSV of oscilloscopes and logic analysers, with or without a time column.

A column is an analogue channel (`Samples`) unless it holds 0 and 1 only (`Edges`, whether the
rows come evenly or only on a change). Times that lie evenly give the rate; where rows are
missing or lie unevenly, analogue values are read off straight lines between them. A preamble
or `--rate` counts only where rows carry no times. Times of the day, with or without a date, give
seconds since the midnight before the first row, as in hex text.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.passes import keep_changes, only_edges
from bridge.capture.source import Source
from bridge.capture.table.head import Top, find_grouped, read_top
from bridge.capture.table.header_words import LEVEL_WORDS, VOLT_UNITS
from bridge.capture.table.rows import Wanted, read_rows, refuse_grouped
from bridge.capture.table.time_column import Clock, choose_columns
from bridge.capture.trace import UNKNOWN_LEVEL, Capture, Edges, Samples, Trace
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeStep, FloatBlock

GAP_MOST = 1 << 31  # samples laid between two rows at most: six hours at 100 kHz
PIECE = 1 << 20  # samples laid out at a time


@dataclass(frozen=True, slots=True)
class Column:
    """One channel of a table, ready to be read."""

    source: Source
    top: Top
    clock: Clock
    column: int
    scale: float
    block: int


def read_table(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read the top of the table; rows are read by passes."""
    try:
        return _read_table(source, rate_hz, block)
    except CaptureError:
        found = find_grouped(source)
        if found is not None:
            raise CaptureError(refuse_grouped(f"{source.name}:{found[0]}", found[1])) from None
        raise


def _read_table(source: Source, rate_hz: float | None, block: int) -> Capture:
    top = read_top(source)
    if top is None:
        raise CaptureError(
            f"{source.name}: no rows of numbers within its first lines; write time and volts in"
            " columns, or one value a line"
        )
    notes: list[str] = []
    clock, channels = choose_columns(source, top, rate_hz, notes)
    if not channels:
        raise CaptureError(
            f"{source.name}:{top.first_line}: no column beside the time holds numbers only;"
            " write the channel as a column of numbers"
        )
    traces: list[Trace] = []
    seen: dict[str, int] = {}
    for n in channels:
        name = top.names[n] or f"column {n + 1}"
        seen[name] = seen.get(name, 0) + 1
        if seen[name] > 1:
            name = f"{name} {seen[name]}"
        traces.append(_make_trace(Column(source, top, clock, n, 1.0, block), name))
    return Capture(source.name, tuple(traces), tuple(notes))


def _make_trace(column: Column, name: str) -> Trace:
    top, clock, n = column.top, column.clock, column.column
    filled = [row[n] for row in top.rows if row[n]]
    if all(field.casefold() in LEVEL_WORDS for field in filled):
        steps = partial(_steps, column)
        return Edges(name, clock.grain_s, clock.start_s, None, partial(only_edges, steps), steps)
    unit = top.units[n].casefold()
    whole = all(field.lstrip("+-").isdecimal() for field in filled)
    volts = unit in VOLT_UNITS or (not unit and not whole)
    column = replace(column, scale=VOLT_UNITS.get(unit, 1.0))
    return Samples(
        name,
        clock.rate_hz,
        clock.start_s,
        volts,
        partial(_samples, column),
        says_volts=unit in VOLT_UNITS,
    )


def _steps(column: Column) -> Iterator[EdgeStep]:
    return keep_changes(_levels(column))


def _levels(
    column: Column,
) -> Iterator[tuple[float, NDArray[np.float64], NDArray[np.uint8]]]:
    clock = column.clock
    done = 0
    last = float(UNKNOWN_LEVEL)
    for times_s, found in _timed(column):
        values = _fill(found, last)
        last = float(values[-1])
        levels = np.full(values.size, UNKNOWN_LEVEL, np.uint8)
        levels[values == 0] = 0
        levels[values == 1] = 1
        at_s = times_s
        if at_s is None:
            at_s = clock.start_s + np.arange(done, done + values.size) / clock.rate_hz
        yield float(at_s[-1]), at_s, levels
        done += values.size


def _samples(column: Column) -> Iterator[FloatBlock]:
    clock = column.clock
    last_s, last = clock.start_s, np.nan
    done = 0  # samples given
    for times_s, values in _timed(column):
        filled = _fill(values, last)
        if column.scale != 1.0:
            filled = filled * column.scale
        if times_s is None or _is_aligned(times_s, clock, done):
            done += filled.size
            with np.errstate(over="ignore"):
                yield filled.astype(np.float32)
        else:
            until = _count_until(column, float(times_s[-1]), done)
            xs, ys = times_s, filled
            if np.isfinite(last):
                xs, ys = np.concatenate(([last_s], xs)), np.concatenate(([last], ys))
            for low in range(done, until, PIECE):
                at_s = clock.start_s + np.arange(low, min(low + PIECE, until)) / clock.rate_hz
                with np.errstate(over="ignore"):
                    yield np.interp(at_s, xs, ys).astype(np.float32)
            done = max(done, until)
        last = float(filled[-1])
        if times_s is not None:
            last_s = float(times_s[-1])


def _is_aligned(times_s: NDArray[np.float64], clock: Clock, done: int) -> bool:
    """Tell whether rows lie on the grid, one a sample; coarse times may repeat."""
    if not clock.is_even:
        return False
    off = (times_s - clock.start_s) * clock.rate_hz
    off -= np.arange(done, done + times_s.size)
    least, most = float(off.min()), float(off.max())
    reach = 0.5 + 2 * clock.off_samples
    if most < reach and least > -reach:
        return True
    coarse = bool((times_s[1:] == times_s[:-1]).any())
    return coarse and max(most, -least) < 0.02 * (done + times_s.size) + 100


def _count_until(column: Column, last_s: float, done: int) -> int:
    """How many samples there are up to a time."""
    clock = column.clock
    place = (last_s - clock.start_s) * clock.rate_hz
    if place - done > GAP_MOST:
        raise CaptureError(
            f"{column.source.name}: the times reach {last_s:.3g} s, more than {GAP_MOST:,} samples"
            f" of {clock.rate_hz:g} Hz after the last row; correct the time column"
        )
    return int(np.floor(place + (0.5 if clock.is_even else 1e-6))) + 1


def _fill(values: NDArray[np.float64], last: float) -> NDArray[np.float64]:
    """Put the value before it where a value is missing or no number."""
    good = np.isfinite(values)
    if good.all():
        return values
    at = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    first = last if np.isfinite(last) else float(values[good][0]) if good.any() else 0.0
    return np.where(at >= 0, values[np.maximum(at, 0)], first)


def _timed(
    column: Column,
) -> Iterator[tuple[NDArray[np.float64] | None, NDArray[np.float64]]]:
    """Times (None where the row number tells them) and values, rows in time order."""
    clock, top = column.clock, column.top
    wanted = [column.column] if clock.column is None else [clock.column, column.column]
    last_s = -np.inf
    daily = clock.column if clock.is_daily else None
    choice = Wanted(top, wanted, daily, column.source.name)
    for rows in read_rows(column.source, choice, column.block):
        if clock.column is None:
            yield None, rows.values[0]
            continue
        times_s = clock.to_seconds(rows.values[0], last_s)
        bad = np.flatnonzero(~(times_s[1:] >= times_s[:-1]))
        late = not times_s[0] >= last_s
        if late or bad.size or not np.isfinite(times_s[-1]):
            n = 0 if late else int(bad[0]) + 1 if bad.size else times_s.size - 1
            before_s = last_s if n == 0 else times_s[n - 1]
            if n:
                yield times_s[:n], rows.values[1][:n]
            raise CaptureError(
                f"{column.source.name}:{rows.line_of(n)}: time {times_s[n]:.9g} s is not after"
                f" {before_s:.9g} s; sort the rows or remove the time column"
            )
        last_s = times_s[-1]
        yield times_s, rows.values[1]
