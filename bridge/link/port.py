"""A serial port, or whatever pyserial opens by URL, as bytes in and out.

The only file of the bridge that imports serial. One thread reads; every way in which pyserial
reports that the other end is gone ends up as one LinkLost, and every way in which it cannot
open as one PortUnavailable with the next step. DTR stays asserted, as USB boards want it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import urlsplit

import serial

from bridge.errors import ArcstepError, LinkLost, PortUnavailable

BAUD = 115_200  # of no effect on USB boards and on simulated ports (judgement)
WRITE_BOUND_S = 0.25  # s that a write may take before the port counts as stuck (judgement)
_READ_S = 0.25  # s a read lasts at most, where it cannot be cancelled (judgement)
_JOIN_S = 1.0  # s to wait for the reading thread to end (judgement)
_MOST_UNREAD = 65_536  # bytes that wait for a reader, the oldest dropped (judgement)
_HOLDER_SEARCH_S = 0.5  # s to look for the program that holds a port (judgement)

# What pyserial and the calls under it raise when a device goes away: termios.error is no OSError,
# and a port closed beneath a read gives TypeError or AttributeError.
_GONE: tuple[type[Exception], ...] = (OSError, TypeError, AttributeError, ValueError)
if sys.platform != "win32":
    import termios

    _GONE = (*_GONE, termios.error)
_UNOPENED: tuple[type[Exception], ...] = (*_GONE, LookupError, OverflowError)
_STUCK = "takes no more bytes; unplug it and plug it in again"


class Port:
    """An open port; all methods may be called from any thread."""

    def __init__(self, device: serial.Serial, url: str) -> None:
        self.url = url
        self._device = device
        self._arrival = threading.Condition()
        self._writing = threading.Lock()
        self._received = bytearray()
        self._lost = ""  # the sentence to raise once the port is gone
        self._cause: Exception | None = None
        self._closing = False
        self._reader = threading.Thread(target=self._listen, name=f"read {url}", daemon=True)
        self._reader.start()

    def write(self, data: bytes) -> None:
        """Hand `data` to the port; LinkLost when it is gone or takes none in WRITE_BOUND_S."""
        if self._lost:
            raise LinkLost(self._lost)
        if not self._writing.acquire(timeout=WRITE_BOUND_S):
            raise LinkLost(self._sentence(_STUCK))
        try:
            self._device.write(data)
        except serial.SerialTimeoutException:
            raise LinkLost(self._sentence(_STUCK)) from None
        except _GONE as error:
            raise LinkLost(self._lose(error)) from error
        finally:
            self._writing.release()

    def read(self, timeout_s: float) -> bytes:
        """All bytes that came since the last call, waiting for the first; b'' after `timeout_s`.

        LinkLost when the port is gone and nothing is left of what came before.
        """
        with self._arrival:
            if not self._received and not self._lost and timeout_s > 0:
                self._arrival.wait_for(lambda: self._received or self._lost, timeout_s)
            if not self._received and self._lost:
                raise LinkLost(self._lost) from self._cause
            data = bytes(self._received)
            self._received.clear()
            return data

    def close(self) -> None:
        """Give the port back; safe to call twice and while another thread reads."""
        if self._closing:
            return
        self._closing = True
        cancel = getattr(self._device, "cancel_read", None)
        with contextlib.suppress(*_GONE):
            if cancel is not None:
                cancel()
        if threading.current_thread() is not self._reader:
            self._reader.join(timeout=_JOIN_S)
        # A socket whose peer has gone is forgotten open by pyserial 3.5: close it here as well.
        inner = getattr(self._device, "_socket", None)
        with contextlib.suppress(*_GONE):  # gone already
            self._device.close()
        with contextlib.suppress(*_GONE):
            if inner is not None:
                inner.close()
        self._lose(None)

    def _listen(self) -> None:
        """Collect bytes from the device for `read`, until the port is closed or lost."""
        device = self._device
        while not self._closing:
            try:
                data = device.read(1)
                if data:
                    data += device.read(min(device.in_waiting, 4096))
            except _GONE as error:
                self._lose(error)
                return
            if data:
                with self._arrival:
                    self._received += data
                    del self._received[:-_MOST_UNREAD]
                    self._arrival.notify_all()

    def _lose(self, error: Exception | None) -> str:
        """Note that the port is gone and wake its reader; returns the sentence to raise."""
        with self._arrival:
            if not self._lost:
                what = "went away; check plug and cable, then open it again"
                self._lost = self._sentence("was closed here" if self._closing else what)
                self._cause = error
            self._arrival.notify_all()
            return self._lost

    def _sentence(self, what: str) -> str:
        return f"the port {self.url} {what}"


def open_port(url: str) -> Port:
    """Open a device path or a pyserial URL; PortUnavailable says what to do next."""
    try:
        device = serial.serial_for_url(
            url,
            baudrate=BAUD,
            timeout=_READ_S,
            write_timeout=WRITE_BOUND_S,
            exclusive=None if "://" in url or os.name == "nt" else True,
        )
    except ArcstepError:
        raise
    except _UNOPENED as error:
        raise PortUnavailable(_why_unavailable(url, error)) from error
    return Port(device, url)


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A serial port of this machine; the USB fields are None where there is no USB behind it."""

    url: str
    description: str
    vendor_id: int | None
    product_id: int | None
    serial_number: str | None


def list_serial_ports(*, every: bool = False) -> list[SerialPort]:
    """The serial ports of this machine; those without a USB vendor only when `every` is set."""
    from serial.tools import list_ports  # noqa: PLC0415  # reads all of /sys

    return [
        SerialPort(
            port.device,
            "" if port.description in (None, "n/a") else port.description,
            port.vid,
            port.pid,
            port.serial_number,
        )
        for port in sorted(list_ports.comports(), key=lambda port: str(port.device))
        if every or port.vid is not None
    ]


def _why_unavailable(url: str, error: Exception) -> str:
    """One sentence with the next step, from whatever pyserial raised."""
    number = _error_number(error)
    if isinstance(error, ValueError) and not _has_handler(url):
        kinds = "a device path, socket://HOST:PORT, rfc2217://HOST:PORT or sim://"
        return f"the port {url} is of a kind that is not known; give {kinds}"
    match number:
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            there = ", ".join(port.url for port in list_serial_ports(every=True)) or "none"
            return f"there is no port {url}; plug it in, or take one of: {there}, sim://"
        case errno.EACCES | errno.EPERM:
            return (
                f"the port {url} is not open to this user; run "
                "`sudo usermod -a -G dialout $USER`, log out and in again"
            )
        case errno.EBUSY | errno.EAGAIN:
            holder = ", ".join(_name_holders(url)) or "another program"
            return f"the port {url} is in use by {holder}; close that, then try again"
        case errno.ECONNREFUSED:
            return f"nothing answers at {url}; start the server there, or check host and port"
        case errno.EISDIR | errno.ENOTTY | errno.EINVAL:
            return f"{url} is no serial port; `arcstep ports` lists what can be opened"
        case _:
            reason = os.strerror(number) if number else str(error).replace("\n", " ")
            return f"the port {url} cannot be opened: {reason}; `arcstep ports` lists the ports"


def _has_handler(url: str) -> bool:
    """Whether pyserial has a handler for the scheme of a URL."""
    scheme = urlsplit(url).scheme.lower()
    packages = serial.protocol_handler_packages
    return scheme.isalnum() and any(
        find_spec(f"{package}.protocol_{scheme}") for package in packages
    )


def _error_number(error: Exception) -> int | None:
    """The errno of an error or of what it was raised from; termios.error has it in its args."""
    for each in (error, error.__context__):
        if each is not None and each.args and isinstance(each.args[0], int):
            return each.args[0]
    return None


def _name_holders(url: str) -> Iterator[str]:
    """Programs of this machine that hold the device open, as far as this user may see."""
    device = os.path.realpath(url)
    deadline_s = time.monotonic() + _HOLDER_SEARCH_S
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        if time.monotonic() > deadline_s:
            return
        try:
            if os.readlink(link) == device and link.parts[2] != str(os.getpid()):
                name = Path("/proc", link.parts[2], "comm").read_text().strip()
                yield f"{name} (process {link.parts[2]})"
        except OSError:
            continue
