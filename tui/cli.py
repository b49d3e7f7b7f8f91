"""The command line: arguments only. What a command needs is imported when it runs."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Annotated, Any, Literal, NoReturn

from cyclopts import App, CycloptsError, Group, Parameter

from bridge.errors import ArcstepError

DEMO_PORT = "sim://larkmere"


def _version() -> str:
    from importlib import metadata  # half as slow to import as all the rest of this file

    return metadata.version("arcstep")


app = App(
    name="arcstep",
    help=(
        "Commission and look after a motor-driven satellite dish: rehearse on a simulated one, "
        "decode the bus, drive a positioner.\n\n"
        "Soft limits and this program are not safety devices; the local code and licensed "
        "practice come first."
    ),
    help_format="plaintext",
    help_formatter="plain",
    version=_version,
    version_flags=["--version"],
    result_action="return_value",
    suppress_keyboard_interrupt=False,  # main says so, with its exit code
)
MOVING = Group("At the dish", sort_key=1)
BUS = Group("On the bus", sort_key=2)
LIST = Group("The position list", sort_key=3)

Port = Annotated[str, Parameter(name="--port", help="device path, socket:// or sim:// URL")]


def _no_option(_type: object, value: object) -> None:
    """Only a lone hyphen is a file name: the rest that begins so is a mistyped option."""
    for name in value if isinstance(value, tuple) else (value,):
        if isinstance(name, str | Path) and str(name).startswith("-") and str(name) != "-":
            raise ValueError(f"{name} is no option")


File = Annotated[
    str,
    Parameter(
        help="capture file; - reads standard input",
        allow_leading_hyphen=True,
        validator=_no_option,
    ),
]
AsJson = Annotated[bool, Parameter(name="--json", negative=(), help="one JSON object a line")]
Rate = Annotated[
    float | None, Parameter(name="--rate", help="samples per second, where the file has none")
]


@app.default
def console(
    station: Annotated[Path | None, Parameter(help="station file (.toml)")] = None,
    /,
    *,
    port: Port = DEMO_PORT,
    speed: Annotated[float | None, Parameter(help="pace of simulated time, 1 is real")] = None,
) -> int:
    """Open the console; without arguments, on the simulated yard."""
    from tui.commands.console import run

    return run(station, port, speed)


app.command(console, name="console", group=MOVING)


@app.command(group=MOVING)
def send(
    *words: Annotated[str, Parameter(help="command words, such as: drive east 1 count")],
    port: Port = DEMO_PORT,
    dry_run: Annotated[bool, Parameter(negative=(), help="show the octets, send nothing")] = False,
    clear: Annotated[
        bool, Parameter(negative=(), help="you have read the cautions and the dish is clear")
    ] = False,
) -> int:
    """Send one command to a positioner, octets shown first."""
    from tui.commands.send import run

    return run(words, port, dry_run=dry_run, clear=clear)


@app.command(group=BUS)
def decode(
    *files: File,
    json: AsJson = False,
    csv: Annotated[bool, Parameter(name="--csv", negative=(), help="comma separated")] = False,
    channel: Annotated[str | None, Parameter(help="the channel that carries the bus")] = None,
    rate: Rate = None,
    audit: Annotated[
        bool, Parameter(negative=(), help="judge the sender's manners as well")
    ] = False,
    plot: Annotated[
        Path | None, Parameter(help="picture of the first frame: .svg, .png or .pdf")
    ] = None,
) -> int:
    """Read bus traffic from captures: VCD, WAV, CSV, NumPy, hex text."""
    from tui.commands.decode import decode as run

    return run(
        list(files), json=json, csv=csv, channel=channel, rate_hz=rate, audit=audit, plot=plot
    )


@app.command(group=BUS)
def encode(
    *words: Annotated[str, Parameter(help="command words or hex, such as: goto 7")],
    out: Annotated[Path | None, Parameter(help="waveform file: .wav, .vcd or .csv")] = None,
    rate: Rate = None,
) -> int:
    """Turn command words or hex into octets, and into a waveform file."""
    from tui.commands.encode import encode as run

    return run(list(words), out=out, rate_hz=rate)


@app.command(group=BUS)
def replay(
    file: File,
    station: Annotated[Path | None, Parameter(help="yard file (.toml)")] = None,
    /,
    *,
    json: AsJson = False,
    taught: Annotated[
        bool, Parameter(negative=(), help="begin with the yard's list stored in the positioner")
    ] = False,
    fault: Annotated[tuple[str, ...], Parameter(help="a fault of the simulated dish")] = (),
    channel: Annotated[str | None, Parameter(help="the channel that carries the bus")] = None,
    rate: Rate = None,
) -> int:
    """Feed captured traffic to the simulated positioner."""
    from tui.commands.replay import run

    return run(file, station, json=json, taught=taught, faults=fault, channel=channel, rate_hz=rate)


@app.command(group=MOVING)
def serve(
    *,
    pty: Annotated[bool, Parameter(negative=(), help="on a new pseudo-terminal")] = False,
    tcp: Annotated[str | None, Parameter(help="on HOST:PORT; loopback unless told")] = None,
    url: Annotated[str, Parameter(help="the simulated yard")] = DEMO_PORT,
) -> int:
    """Offer the simulated adapter and dish to other programs."""
    from tui.commands.serve import serve as run

    return run(pty, tcp, url)


@app.command(group=MOVING)
def ports(
    *,
    json: AsJson = False,
    all: Annotated[
        bool, Parameter(name="--all", negative=(), help="also ports that are not USB")
    ] = False,
) -> int:
    """List serial ports and simulated yards that can be opened."""
    from tui.commands.ports import ports as run

    return run(json=json, all=all)


StationFile = Annotated[Path, Parameter(help="station file (.toml)")]
Plot = Annotated[Path | None, Parameter(help="picture file: .svg, .png or .pdf")]


@app.command(group=LIST)
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

    return run(station, json=json, plot=plot, bent=refraction)


@app.command(group=LIST)
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


station_app = App(name="station", help="Begin a station file.", group=LIST)
app.command(station_app)


@station_app.command(name="new")
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
    from bridge.blank import Known
    from tui.commands.station import new

    known = Known(name, latitude, longitude, height, diameter)
    return new(file, known, kind=mount, questions=questions)


@station_app.command(name="demo")
def station_demo(file: StationFile, /) -> int:
    """Write the station of the invented demo yard, to try commands on."""
    from tui.commands.station import demo

    return demo(file)


positions = App(name="positions", help="Look after the position list.", group=LIST)
app.command(positions)


@positions.command
def check(station: StationFile, /, *, json: AsJson = False) -> int:
    """Find mistakes in a list."""
    from tui.commands.positions import check as run

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
            validator=_no_option,
        ),
    ],
    /,
    *,
    json: AsJson = False,
) -> int:
    """Compare a list with another, or with a log of what was stored."""
    from tui.commands.positions import diff as run

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
    from tui.commands.positions import export as run

    return run(station, out=out, decimal=decimal)


@positions.command(name="import")
def import_(
    sheet: Annotated[
        Path,
        Parameter(
            help="CSV file; - reads standard input",
            allow_leading_hyphen=True,
            validator=_no_option,
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
    from tui.commands.positions import take_in as run

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


def _terminate(number: int, _frame: FrameType | None) -> NoReturn:
    """Turn SIGTERM and SIGHUP into an ordinary way out, so that `finally` halts the motor."""
    raise SystemExit(128 + number)


def _silence_stdout() -> None:
    """Keep the interpreter from complaining when the reader of our output has gone."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def main(argv: list[str] | None = None) -> Any:
    """Run one command line and exit with its code."""
    # Started in the background, SIGINT comes ignored; what drives a motor is to heed it.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _terminate)
    try:
        code = app(argv, exit_on_error=False, print_error=False)
        sys.stdout.flush()
    except CycloptsError as error:
        print(f"arcstep: {str(error).rstrip('.')}; see arcstep --help", file=sys.stderr)
        code = 2
    except ArcstepError as error:
        print(f"arcstep: {error}", file=sys.stderr)
        code = error.exit_code
    except KeyboardInterrupt:
        print("arcstep: interrupted", file=sys.stderr)
        code = 130
    except BrokenPipeError:
        _silence_stdout()
        code = 0
    sys.exit(code)


if __name__ == "__main__":
    main()
