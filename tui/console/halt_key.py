"""SPACE halts: the terminal driver sees the key in the input thread, before any queue.

A key binding does not halt while a field, a list or the palette holds the focus, and a terminal
that stops reading freezes the event loop. The input thread goes on reading through both.
"""

from __future__ import annotations

import os
import re
import selectors
import signal
import sys
from codecs import getincrementaldecoder
from typing import TYPE_CHECKING, Any, Protocol, cast

from textual import events
from textual.driver import Driver
from textual.message import Message

if TYPE_CHECKING:

    class HaltingApp(Protocol):
        """What the driver needs of the app; every call may come from the input thread."""

        def space_halts(self) -> bool:
            """Tell whether SPACE means halt now (it types a space in a field of an idle dish)."""

        def halt_now(self, why: str) -> None:
            """Halt at once."""


_SPACE_BYTES = re.compile(rb"\x20|\x1b\[32[;:u]")  # plain, or by the extended key protocol
_READ_BYTES = 4096  # bytes a read, more than any burst of keys (judgement)


def is_space(event: events.Key) -> bool:
    """Tell whether a key is SPACE, with any modifier."""
    return event.character == " " or event.key.rpartition("+")[2] == "space"


def halting_driver(base: type[Driver]) -> type[Driver]:
    """Derive a driver that halts on SPACE by itself."""

    class HaltingDriver(base):  # type: ignore[misc,valid-type]
        """Looks at every key before the app does."""

        _halted_in_this_read = False

        def process_message(self, message: Message) -> None:
            """Halt on SPACE and keep the key; pass everything else on. Runs in the input thread.

            Keys that came in one read with a SPACE are dropped: whatever they were to move, the
            halt was to come after it.
            """
            if isinstance(message, events.Key):
                app = cast("HaltingApp", self._app)
                if self._halted_in_this_read:
                    return
                if is_space(message) and app.space_halts():
                    app.halt_now("SPACE")
                    return
            super().process_message(message)

    if sys.platform == "win32":
        return HaltingDriver
    return _robust_driver(HaltingDriver)


def _robust_driver(base: type[Driver]) -> type[Driver]:
    """Derive a driver that no byte on the terminal can kill."""
    from textual._xterm_parser import XTermParser  # noqa: PLC0415 - posix only

    class RobustDriver(base):  # type: ignore[misc,valid-type]
        """Reads the terminal with bad bytes replaced and bad sequences dropped."""

        def run_input_thread(self) -> None:
            """Read until the app ends. A SPACE is seen in the bytes, even inside a paste."""
            app = cast("HaltingApp", self._app)
            decode = getincrementaldecoder("utf-8")(errors="replace").decode
            parser = XTermParser(self._debug)
            selector = selectors.SelectSelector()
            selector.register(self.fileno, selectors.EVENT_READ)
            try:
                while not self.exit_event.is_set():
                    data = b""
                    if selector.select(0.1):
                        data = os.read(self.fileno, _READ_BYTES)
                        if not data:
                            raise OSError("end of input")  # noqa: TRY301 - as when it hangs up
                    self._halted_in_this_read = False
                    if _SPACE_BYTES.search(data) and app.space_halts():
                        app.halt_now("SPACE")
                        self._halted_in_this_read = True
                    try:
                        if data:
                            for message in parser.feed(decode(data)):
                                self.process_message(message)
                        for message in parser.tick():
                            self.process_message(message)
                    except (ValueError, OverflowError, IndexError, KeyError):
                        parser = XTermParser(self._debug)  # a sequence no terminal should send
            except OSError:
                app.halt_now("the terminal is gone")
                os.kill(os.getpid(), signal.SIGHUP)
            finally:
                selector.close()

        def _sigtstp_application(self, *_: Any) -> None:
            """Halt, and go on: a stopped process holds a motor that it cannot halt."""
            cast("HaltingApp", self._app).halt_now("asked to stop")

    return RobustDriver


def on_termination(handler: Any) -> None:
    """Call a handler when the terminal hangs up or the process gets a signal to end.

    Plain handlers, not those of the event loop: they run even while the loop waits for a
    terminal that no longer reads.
    """
    for name in ("SIGHUP", "SIGTERM"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, handler)
