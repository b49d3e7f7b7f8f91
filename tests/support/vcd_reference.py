"""A reader of VCD files from the registry, without what its import does to the process.

Importing it lets a broken pipe kill the process, as a command line tool may want it. A test run
that wrote to a closed socket later died of it without a word.
"""

from __future__ import annotations

import signal
import warnings
from pathlib import Path
from typing import Any


def read_vcd_reference(path: Path) -> Any:
    """The file as `vcdvcd` reads it: signal name -> an object whose `tv` lists (tick, value)."""
    broken_pipe = getattr(signal, "SIGPIPE", None)
    before = None if broken_pipe is None else signal.getsignal(broken_pipe)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            from vcdvcd import VCDVCD
        finally:
            if broken_pipe is not None:
                signal.signal(broken_pipe, before)
        return VCDVCD(str(path))
