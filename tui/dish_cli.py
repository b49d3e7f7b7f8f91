"""The commands at the dish, as arguments only: console, send, serve, ports."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from tui.options import DEMO_PORT, AsJson, Port


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


def serve(
    *,
    pty: Annotated[bool, Parameter(negative=(), help="on a new pseudo-terminal")] = False,
    tcp: Annotated[
        str | None, Parameter(help="on HOST:PORT; loopback unless a host is given")
    ] = None,
    url: Annotated[str, Parameter(help="the simulated yard")] = DEMO_PORT,
) -> int:
    """Offer the simulated adapter and dish to other programs."""
    from tui.commands.serve import serve as run

    return run(pty, tcp, url)


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
