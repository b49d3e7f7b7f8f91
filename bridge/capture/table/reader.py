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
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.clock import Midnights
from bridge.capture.edges import keep_changes, only_edges
from bridge.capture.source import Source
from bridge.capture.table.decimal_comma import find_grouped, refuse_grouped, to_number
from bridge.capture.table.head import Top, read_first_lines, read_top
from bridge.capture.table.header_words import LEVEL_WORDS
from bridge.capture.table.resampling import fill_missing, resample
from bridge.capture.table.rows import Wanted, read_rows
from bridge.capture.table.time_base import TimeBase
from bridge.capture.table.time_column import choose_columns
from bridge.capture.trace import UNKNOWN_LEVEL, Capture, Edges, Samples, Trace
from bridge.capture.units import VOLT_UNITS
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bridge.capture.trace import EdgeStep, FloatBlock


@dataclass(frozen=True, slots=True)
class DataColumn:
    """One channel of a table, ready to be read."""

    source: Source
    top: Top
    base: TimeBase
    column: int
    scale: float
    block: int


def read_table(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read the top of the table; rows are read by passes."""
    try:
        return _read_table(source, rate_hz, block)
    except CaptureError:
        found = find_grouped(read_first_lines(source))
        if found is not None:
            raise refuse_grouped(f"{source.name}:{found[0]}", found[1]) from None
        raise


def _read_table(source: Source, rate_hz: float | None, block: int) -> Capture:
    top = read_top(source)
    if top is None:
        raise CaptureError(
            f"{source.name}: no rows of numbers within its first lines; write time and volts in"
            " columns, or one value a line"
        )
    notes: list[str] = []
    base, channels = choose_columns(source, top, rate_hz, notes)
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
        traces.append(_make_trace(DataColumn(source, top, base, n, 1.0, block), name))
    return Capture(source.name, tuple(traces), tuple(notes))


def _make_trace(column: DataColumn, name: str) -> Trace:
    top, base, n = column.top, column.base, column.column
    filled = [row[n] for row in top.rows if row[n]]
    if all(field.casefold() in LEVEL_WORDS for field in filled):
        steps = partial(_steps, column)
        return Edges(name, base.grain_s, base.start_s, None, partial(only_edges, steps), steps)
    unit = top.units[n].casefold()
    whole = all(field.lstrip("+-").isdecimal() for field in filled)
    volts = unit in VOLT_UNITS or (not unit and not whole)
    column = replace(column, scale=VOLT_UNITS.get(unit, 1.0))
    return Samples(
        name,
        base.rate_hz,
        base.start_s,
        volts,
        partial(_samples, column),
        states_volts=unit in VOLT_UNITS,
    )


def _steps(column: DataColumn) -> Iterator[EdgeStep]:
    return keep_changes(_levels(column))


def _levels(
    column: DataColumn,
) -> Iterator[tuple[float, NDArray[np.float64], NDArray[np.uint8]]]:
    base = column.base
    done = 0
    last = float(UNKNOWN_LEVEL)
    for times_s, found in _timed(column):
        values = fill_missing(found, last)
        last = float(values[-1])
        levels = np.full(values.size, UNKNOWN_LEVEL, np.uint8)
        levels[values == 0] = 0
        levels[values == 1] = 1
        at_s = times_s
        if at_s is None:
            at_s = base.start_s + np.arange(done, done + values.size) / base.rate_hz
        yield float(at_s[-1]), at_s, levels
        done += values.size


def _samples(column: DataColumn) -> Iterator[FloatBlock]:
    scaled = (
        (times_s, values if column.scale == 1.0 else values * column.scale)
        for times_s, values in _timed(column)
    )
    fields = (row[column.column] for row in column.top.rows)
    values = (to_number(field, column.top.style.decimal) for field in fields)
    first = next((value for value in values if value is not None and isfinite(value)), 0.0)
    return resample(scaled, column.base, first * column.scale, column.source.name)


def _timed(
    column: DataColumn,
) -> Iterator[tuple[NDArray[np.float64] | None, NDArray[np.float64]]]:
    """Times (None where the row number tells them) and values, rows in time order."""
    base, top = column.base, column.top
    wanted = [column.column] if base.column is None else [base.column, column.column]
    daily = base.column if base.is_daily else None
    choice = Wanted(top, wanted, daily, column.source.name)
    midnights = Midnights()
    last_s = -np.inf
    for rows in read_rows(column.source, choice, column.block):
        if base.column is None:
            yield None, rows.values[0]
            continue
        times_s = base.to_seconds(rows.values[0], midnights)
        before_s = np.concatenate(([last_s], times_s[:-1]))
        bad = np.flatnonzero(~((times_s >= before_s) & (times_s < np.inf)))
        if bad.size:
            n = int(bad[0])
            if n:
                yield times_s[:n], rows.values[1][:n]
            raise CaptureError(
                f"{column.source.name}:{rows.line_of(n)}: time {times_s[n]:.9g} s is not after"
                f" {before_s[n]:.9g} s; sort the rows or remove the time column"
            )
        last_s = times_s[-1]
        yield times_s, rows.values[1]
