"""`arcstep serve`: the simulated adapter and dish for other programs, over a pty or TCP.

The first line on standard output is what a client opens. One client at a time; when it is gone
its lease runs out, the motor halts, and the next one may come.
"""

from __future__ import annotations

import os
import select
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Protocol

from bridge.errors import BadInput, PortUnavailable
from sim.bench import Bench

DEFAULT_HOST = "127.0.0.1"
_CHUNK = 4096  # bytes a read (judgement)
Handle = socket.socket | int  # what select waits on
_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")


class Endpoint(Protocol):
    """Where clients connect; no method blocks."""

    url: str

    def readable(self) -> list[Handle]:
        """The handles to wait on for reading."""

    def client(self) -> Handle:
        """The handle to wait on for writing, while something is left to write."""

    def receive(self, ready: Handle) -> bytes:
        """The bytes that came."""

    def answer(self, data: bytes) -> int:
        """Write bytes; how many were taken, all of them when there is no client."""

    def close(self) -> None:
        """Close all handles."""


def serve(pty: bool, tcp: str | None, url: str = "sim://") -> int:
    """Serve the simulated yard of `url` until a signal; the exit code, 130 after Ctrl-C."""
    if pty and tcp is not None:
        raise BadInput("--pty and --tcp are two ways to serve; give one of them")
    bench = Bench.open(url)
    try:
        endpoint: Endpoint = open_tcp(tcp) if tcp is not None else PtyEndpoint()
        try:
            print(endpoint.url, flush=True)
            print(f"serving {url} at {endpoint.url}; Ctrl-C ends it", file=sys.stderr, flush=True)
            ended_by = _run(bench, endpoint)
        finally:
            endpoint.close()
    finally:
        bench.close()
    return 130 if ended_by == signal.SIGINT else 0


def _run(bench: Bench, endpoint: Endpoint) -> int:
    """Carry bytes both ways until a signal comes; returns its number.

    A client that stops reading cannot stall the adapter: one batch waits for it, the adapter
    drops what comes on top, and a retry of the client asks for it again.
    """
    pending = b""
    with _signals() as (woken, caught):
        while not caught:
            writable = [endpoint.client()] if pending else []
            ready, _, _ = select.select(
                [woken, *endpoint.readable()], writable, [], bench.due_in_s()
            )
            for handle in ready:
                if handle is woken:
                    woken.recv(_CHUNK)
                elif data := endpoint.receive(handle):
                    bench.feed(data)
            bench.catch_up()
            pending = pending or bench.take()
            if pending:
                pending = pending[endpoint.answer(pending) :]
        return caught[0]


@contextmanager
def _signals() -> Iterator[tuple[socket.socket, list[int]]]:
    """A socket that wakes the loop at a signal, and the list of signals so far."""
    caught: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        caught.append(number)

    near, far = socket.socketpair()
    with near, far:
        near.setblocking(False)
        far.setblocking(False)
        woken_before = signal.set_wakeup_fd(far.fileno(), warn_on_full_buffer=False)
        before = {
            number: signal.signal(number, note)
            for name in _SIGNALS
            if (number := getattr(signal, name, None)) is not None
        }
        try:
            yield near, caught
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
            signal.set_wakeup_fd(woken_before)


class PtyEndpoint:
    """A pseudo-terminal; its client side is held open too, so that it outlives a client."""

    def __init__(self) -> None:
        if sys.platform == "win32":
            raise PortUnavailable("this system has no pseudo-terminals; serve with --tcp instead")
        import tty  # noqa: PLC0415  # not on every system

        self._near, self._far = os.openpty()
        tty.setraw(self._far)  # otherwise the terminal echoes and rewrites line ends
        os.set_blocking(self._near, False)
        self.url = os.ttyname(self._far)

    def readable(self) -> list[Handle]:
        """The adapter's side."""
        return [self._near]

    def client(self) -> Handle:
        """The adapter's side."""
        return self._near

    def receive(self, ready: Handle) -> bytes:
        """Bytes from whichever client is there."""
        try:
            return os.read(self._near, _CHUNK)
        except BlockingIOError:
            return b""

    def answer(self, data: bytes) -> int:
        """As much as the terminal holds."""
        try:
            return os.write(self._near, data)
        except BlockingIOError:
            return 0

    def close(self) -> None:
        """Close both sides; a client sees its port go away."""
        os.close(self._near)
        os.close(self._far)


class TcpEndpoint:
    """A listening socket; a second client is turned away while the first is there."""

    def __init__(self, host: str, port: int) -> None:
        try:
            self._listener = socket.create_server((host, port), family=_family(host), backlog=4)
        except (OSError, OverflowError, UnicodeError) as error:
            reason = (getattr(error, "strerror", None) or str(error)).split(" (while")[0]
            raise PortUnavailable(
                f"cannot serve at {host}:{port}: {reason}; give another HOST:PORT"
            ) from None
        self._listener.setblocking(False)
        self._client: socket.socket | None = None
        name = f"[{host}]" if ":" in host else host
        self.url = f"socket://{name}:{self._listener.getsockname()[1]}"

    def readable(self) -> list[Handle]:
        """The listener, and the client while there is one."""
        return [self._listener] if self._client is None else [self._listener, self._client]

    def client(self) -> Handle:
        """The client's socket."""
        return self._client or self._listener

    def receive(self, ready: Handle) -> bytes:
        """Bytes from the client; none when it came or went just now."""
        if ready is self._listener:
            self._admit()
            return b""
        if ready is not self._client:
            return b""
        try:
            data = self._client.recv(_CHUNK)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        return data

    def answer(self, data: bytes) -> int:
        """As much as the client's socket holds; all of it without a client."""
        if self._client is None:
            return len(data)
        try:
            return self._client.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._drop()
            return len(data)

    def close(self) -> None:
        """Close client and listener."""
        self._drop()
        self._listener.close()

    def _admit(self) -> None:
        try:
            client, address = self._listener.accept()
        except OSError:
            return
        if self._client is not None:
            print(f"turned away {address[0]}: one client at a time", file=sys.stderr, flush=True)
            client.close()
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._client = client

    def _drop(self) -> None:
        if self._client is not None:
            with suppress(OSError):
                self._client.close()
            self._client = None


def open_tcp(where: str) -> TcpEndpoint:
    """From `HOST:PORT`, `:PORT` or `PORT`; loopback when no host is named, port 0 for any."""
    host, colon, port = where.rpartition(":")
    host = host.strip("[]") or DEFAULT_HOST
    if not port.isdecimal() or int(port) > 65535 or (colon and not host):
        raise BadInput(f"--tcp {where}: give HOST:PORT with a port from 0 to 65535")
    endpoint = TcpEndpoint(host, int(port))
    if host not in (DEFAULT_HOST, "localhost", "::1"):
        print(
            f"warning: {endpoint.url} is open to the network; whoever reaches it moves this dish",
            file=sys.stderr,
            flush=True,
        )
    return endpoint


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET
