"""The commands of the position list, as arguments only: plan, drift, station, positions."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter

from tui.options import DEMO_PORT, LIST, AsJson, Plot, Port, StationFile, refuse_option


def plan(
    station: StationFile,
    /,
    *,
    json: AsJson = False,
    plot: Plot = None,
    refraction: Annotated[bool, Parameter(negative=(), help="add the air's bending")] = False,
) -> int:
    """Say where every satellite is and what a count costs."""
    from tui.commands.plan import run

    return run(station, json=json, plot=plot, refracted=refraction)


def drift(
    station: Annotated[Path | None, Parameter(help="station or yard file (.toml)")] = None,
    /,
    *,
    years: Annotated[float, Parameter(help="years to look ahead")] = 1.0,
    rigs: Annotated[int, Parameter(help="rigs to simulate")] = 1000,
    seed: Annotated[int, Parameter(help="the same number gives the same rigs")] = 0,
    json: AsJson = False,
    plot: Plot = None,
) -> int:
    """Forecast how far the count wanders over years."""
    from tui.commands.drift import run

    return run(station, years=years, rigs=rigs, json=json, plot=plot, seed=seed)


station = App(name="station", help="Begin a station file.", group=LIST)


@station.command(name="new")
def station_new(
    file: StationFile,
    /,
    *,
    name: str | None = None,
    latitude: Annotated[float | None, Parameter(help="degrees, north positive")] = None,
    longitude: Annotated[float | None, Parameter(help="degrees, east positive")] = None,
    height: Annotated[float | None, Parameter(help="metres above the sea")] = None,
    diameter: Annotated[float | None, Parameter(help="of the dish, in metres")] = None,
    mount: Literal["linear", "worm"] = "linear",
    questions: Annotated[bool, Parameter(help="ask for what is not given")] = True,
) -> int:
    """Write a commented station file to fill in."""
    from bridge.station.template import KnownFacts
    from tui.commands.station import new

    known = KnownFacts(name, latitude, longitude, height, diameter)
    return new(file, known, kind=mount, questions=questions)


@station.command(name="demo")
def station_demo(file: StationFile, /) -> int:
    """Write the station of the invented demo yard, to try commands on."""
    from tui.commands.station import demo

    return demo(file)


positions = App(name="positions", help="Look after the position list.", group=LIST)


@positions.command
def check(station: StationFile, /, *, json: AsJson = False) -> int:
    """Find mistakes in a list."""
    from tui.commands.check import run

    return run(station, json=json)


@positions.command
def predict(station: StationFile, /, *, json: AsJson = False) -> int:
    """Predict the counts of all satellites from those that are taught."""
    from tui.commands.predict import run

    return run(station, json=json)


@positions.command
def shift(
    station: StationFile,
    /,
    *readings: Annotated[
        str, Parameter(help="NUMBER=COUNT re-peaked, east=BEFORE:NOW, west=BEFORE:NOW")
    ],
    json: AsJson = False,
    write: Annotated[bool, Parameter(negative=(), help="rewrite the counts once proved")] = False,
    undo: Annotated[bool, Parameter(negative=(), help="take the last rewriting back")] = False,
) -> int:
    """Tell what became of the counts from new readings, and re-base the list."""
    from tui.commands.shift import run

    return run(station, readings, json=json, write=write, undo=undo)


@positions.command
def diff(
    before: StationFile,
    after: Annotated[
        Path,
        Parameter(
            help="another station file, a log saved by the console, a capture or its decode"
            " --json; - reads standard input",
            allow_leading_hyphen=True,
            validator=refuse_option,
        ),
    ],
    /,
    *,
    json: AsJson = False,
) -> int:
    """Compare a list with another, or with a log of what was stored."""
    from tui.commands.diff import run

    return run(before, after, json=json)


@positions.command
def export(
    station: StationFile,
    /,
    *,
    out: Annotated[Path | None, Parameter(help="CSV file; standard output without")] = None,
    decimal: Annotated[
        Literal["point", "comma"], Parameter(help="what the spreadsheet writes in numbers")
    ] = "point",
) -> int:
    """Write the list as CSV for a spreadsheet."""
    from tui.commands.csv_sheet import export as run

    return run(station, out=out, decimal=decimal)


@positions.command(name="import")
def import_(
    sheet: Annotated[
        Path,
        Parameter(
            help="CSV file; - reads standard input",
            allow_leading_hyphen=True,
            validator=refuse_option,
        ),
    ],
    station: StationFile,
    /,
    *,
    replace: Annotated[
        bool, Parameter(negative=(), help="also remove positions that the sheet lacks")
    ] = False,
    dry_run: Annotated[bool, Parameter(negative=(), help="show, write nothing")] = False,
) -> int:
    """Put a spreadsheet's rows into a station file."""
    from tui.commands.csv_sheet import import_sheet as run

    return run(sheet, station, replace=replace, dry_run=dry_run)


@positions.command
def restore(
    station: StationFile,
    /,
    *,
    port: Port = DEMO_PORT,
    go: Annotated[
        bool, Parameter(negative=(), help="carry it out; without, show the plan")
    ] = False,
    dry_run: Annotated[bool, Parameter(negative=(), help="show the plan, whatever else")] = False,
    clear: Annotated[
        bool, Parameter(negative=(), help="you have read the cautions and the dish is clear")
    ] = False,
    journal: Annotated[Path | None, Parameter(help="where to keep how far it came")] = None,
    limits: Annotated[bool | None, Parameter(help="set the soft limits as well")] = None,
    only: Annotated[tuple[int, ...], Parameter(help="these positions alone")] = (),
    here: Annotated[int | None, Parameter(help="the dish is peaked on this position")] = None,
    here_count: Annotated[int | None, Parameter(help="the dish stands at this count")] = None,
    as_read: Annotated[
        bool, Parameter(negative=(), help="trust the count that the adapter reads")
    ] = False,
    counter: Annotated[
        bool, Parameter(negative=(), help="use counter writes, where the positioner has them")
    ] = False,
    prove_all: Annotated[bool, Parameter(negative=(), help="return to every position")] = False,
    json: AsJson = False,
) -> int:
    """Put a list back into a positioner, and prove it."""
    from tui.commands.restore import run

    return run(
        station,
        port,
        go=go,
        dry_run=dry_run,
        clear=clear,
        journal=journal,
        limits=limits,
        only=only,
        here=here,
        here_count=here_count,
        as_read=as_read,
        counter=counter,
        prove_all=prove_all,
        json=json,
    )
