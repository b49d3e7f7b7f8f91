"""The commands on bus traffic, as arguments only: decode, encode, replay."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from tui.options import AsJson, File, Rate


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


def encode(
    *words: Annotated[str, Parameter(help="command words or hex, such as: goto 7")],
    out: Annotated[Path | None, Parameter(help="waveform file: .wav, .vcd or .csv")] = None,
    rate: Rate = None,
) -> int:
    """Turn command words or hex into bytes, and into a waveform file."""
    from tui.commands.encode import encode as run

    return run(list(words), out=out, rate_hz=rate)


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
