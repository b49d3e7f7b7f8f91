"""How far a long reading has come, on one line of the terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

INTERVAL_S = 0.5  # s between two changes of the line (judgement)


class Progress:
    """A line on stderr that says how far a capture is read; it shows on a terminal only.

    `share` gives the part of the file that is read, 0 to 1; `clock` gives seconds.
    """

    def __init__(
        self, file: str, share: Callable[[], float], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._file = file
        self._share = share
        self._clock = clock
        self._last_s = clock()
        self._shown = False
        self._on = sys.stderr.isatty()
        self._is_between = sys.stdout.isatty()  # events are printed on the same screen

    def show(self, at_s: float) -> None:
        """Show the time reached in the capture, in s; not more often than people can read."""
        now_s = self._clock()
        if self._on and now_s - self._last_s > INTERVAL_S:
            self._last_s, self._shown = now_s, True
            share = "" if self._file == "-" else f", {self._share():.0%}"
            line = f"\r{self._file}: {at_s:,.1f} s{share}\x1b[K"
            print(line, end="", file=sys.stderr, flush=True)

    def make_room(self) -> None:
        """Go out of the way of a line to be printed."""
        if self._is_between:
            self.clear()

    def clear(self) -> None:
        """Take the line away."""
        if self._shown:
            self._shown = False
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
