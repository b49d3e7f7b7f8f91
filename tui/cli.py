"""The command line: arguments only. What a command needs is imported when it runs."""

from __future__ import annotations

import difflib
import gc
import os
import signal
import sys
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

from cyclopts import App, CycloptsError, UnusedCliTokensError

from bridge.errors import ArcstepError, BadInput
from tui.bus_cli import decode, encode, replay
from tui.dish_cli import console, ports, send, serve
from tui.list_cli import drift, plan, positions, station
from tui.options import BUS, LIST, MOVING

RETAINED_BYTES = 1 << 24  # bytes, more than any block of samples (judgement)
COLLECT_OBJECTS = 20_000  # new objects after which the garbage collector runs (judgement)


def _version() -> str:
    from importlib import metadata  # slow to import, and wanted by --version alone

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
    suppress_keyboard_interrupt=False,  # `main` handles it
)
app.default(console)
app.command(console, name="console", group=MOVING)
app.command(plan, group=LIST)
app.command(drift, group=LIST)
app.command(station)
app.command(positions)
app.command(send, group=MOVING)
app.command(decode, group=BUS)
app.command(encode, group=BUS)
app.command(replay, group=BUS)
app.command(serve, group=MOVING)
app.command(ports, group=MOVING)


def _require_command(words: list[str]) -> None:
    """Refuse a first word that is neither a command nor a file, before it opens a console.

    Raises BadInput; a station file is known by its suffix or because it is there.
    """
    word = next(iter(words), "-")
    if word.startswith("-") or word in app or Path(word).suffix or Path(word).exists():
        return
    near = difflib.get_close_matches(word, [name for name in app if name.isalpha()], 1)
    hint = f"did you mean {near[0]}?" if near else "see arcstep --help"
    raise BadInput(f"'{word}' is no command and no file; {hint}")


def _complaint(error: CycloptsError) -> str:
    """What is wrong with the arguments of a command, in one sentence."""
    if isinstance(error, UnusedCliTokensError):
        command = " ".join(error.command_chain or ["console"])
        return f"{command} takes no more arguments; leave out {' '.join(error.unused_tokens or ())}"
    return str(error).rstrip(".")


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
    words = sys.argv[1:] if argv is None else argv
    try:
        _require_command(words)
        code = app(words, exit_on_error=False, print_error=False)
        sys.stdout.flush()
    except CycloptsError as error:
        print(f"arcstep: {_complaint(error)}; see arcstep --help", file=sys.stderr)
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
