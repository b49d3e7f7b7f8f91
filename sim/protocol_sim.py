"""The pyserial URL handler that makes `sim://` a port like any other.

The simulated adapter runs in the thread of whoever reads or writes; a reader sleeps until bytes
come or something falls due on the cable, so that nothing polls.
"""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

import serial

from bridge.errors import PortUnavailable
from sim.bench import Bench

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

_PACKAGE = "sim"


def register() -> None:
    """Make pyserial, and with it `open_port`, know `sim://`; safe to call again."""
    if _PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(_PACKAGE)


class Serial(serial.SerialBase):
    """A simulated adapter as a serial port; `bench` is its inside while it is open."""

    bench: Bench | None = None

    def open(self) -> None:
        """Start the adapter of the URL; YardError when there cannot be such a yard."""
        if self.is_open:
            raise PortUnavailable(f"the port {self.portstr} is open already; close it first")
        self._received = bytearray()
        self._reading = threading.Lock()
        self.bench = Bench.open(str(self.portstr))
        self.is_open = True

    def close(self) -> None:
        """Pull the adapter's plug: the dish comes to rest by the lease, and its state is saved."""
        if self.bench is not None and self.is_open:
            self.is_open = False
            self.bench.close()
            self.bench = None

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes, all of them unless the time-out passes first."""
        end_s = None if self.timeout is None else time.monotonic() + self.timeout
        with self._reading:
            while len(self._received) < size:
                left_s = None if end_s is None else max(0.0, end_s - time.monotonic())
                data = self._bench().wait(left_s)
                self._received += data
                if not data:  # time-out, or cancelled
                    break
            taken = bytes(self._received[:size])
            del self._received[:size]
            return taken

    def write(self, data: ReadableBuffer, /) -> int:
        """Hand all bytes to the adapter."""
        whole = bytes(data)
        self._bench().feed(whole)
        return len(whole)

    def cancel_read(self) -> None:
        """End a read that waits in another thread."""
        if self.bench is not None:
            self.bench.rouse()

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read without waiting."""
        self._received += self._bench().take()
        return len(self._received)

    @property
    def out_waiting(self) -> int:
        """Bytes not yet taken by the adapter: none, ever."""
        return 0

    def reset_input_buffer(self) -> None:
        """Forget what has come and was not read."""
        self._bench().take()
        self._received.clear()

    def reset_output_buffer(self) -> None:
        """Nothing waits to go out."""

    def flush(self) -> None:
        """All is out already."""

    def _reconfigure_port(self, force_update: bool = False) -> None:
        """Baud rate and the like mean nothing here."""

    def _update_rts_state(self) -> None:
        """There are no such lines."""

    _update_dtr_state = _update_break_state = _update_rts_state

    def _bench(self) -> Bench:
        if self.bench is None or not self.is_open:
            raise serial.PortNotOpenError
        return self.bench
