"""The command line: arguments only. What a command needs is imported when it runs."""

from __future__ import annotations

import gc
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Annotated, Any, NoReturn

from cyclopts import App, CycloptsError, Parameter

from bridge.errors import ArcstepError
from tui.list_cli import drift, plan, positions, station_app
from tui.options import BUS, DEMO_PORT, LIST, MOVING, AsJson, File, Port, Rate

RETAINED_BYTES = 1 << 24  # bytes, more than any block of samples (judgement)
COLLECT_OBJECTS = 20_000  # new objects after which the garbage collector runs (judgement)


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
app.command(plan, group=LIST)
app.command(drift, group=LIST)
app.command(station_app)
app.command(positions)


@app.command(group=MOVING)
def send(
    *words: Annotated[str, Parameter(help="command words, such as: drive east 1 count")],
    port: Port = DEMO_PORT,
    dry_run: Annotated[bool, Parameter(negative=(), help="show the bytes, send nothing")] = False,
    clear: Annotated[
        bool, Parameter(negative=(), help="you have read the cautions and the dish is clear")
    ] = False,
) -> int:
    """Send one command to a positioner, bytes shown first."""
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
    """Turn command words or hex into bytes, and into a waveform file."""
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


def _terminate(number: int, _frame: FrameType | None) -> NoReturn:
    """Turn SIGTERM and SIGHUP into an ordinary way out, so that `finally` halts the motor."""
    raise SystemExit(128 + number)


def _silence_stdout() -> None:
    """Keep the interpreter from complaining when the reader of our output has gone."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _tune_process() -> None:
    """Set what holds for the whole process: memory, threads, the garbage collector.

    The usual allocator of Linux gives a large block back to the system when it is freed. Then each
    new block of samples costs one page fault a page, and they take longer than the block itself.
    Once a block of RETAINED_BYTES has been freed (its pages are never touched), the allocator
    keeps smaller ones for reuse. On other systems this does nothing.
    """
    bytes(RETAINED_BYTES)
    # Products of small matrices gain nothing from threads, which take time to start and to join.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(COLLECT_OBJECTS)


def main(argv: list[str] | None = None) -> Any:
    """Run one command line and exit with its code."""
    _tune_process()
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
