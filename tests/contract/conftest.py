"""One adapter behind many transports: in this process, over a pseudo-terminal, over TCP."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.link.client import Adapter
from sim.protocol_sim import register

ROOT = Path(__file__).parents[2]
YARD = "sim://larkmere?speed=8"

register()


class Server:
    """`arcstep serve` as another process; `url` is what its first line says."""

    def __init__(self, *args: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tui.cli", "serve", *args],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.url = self.process.stdout.readline().strip()
        if not self.url:
            raise AssertionError(f"serve did not start: {self.process.stderr.read()}")

    def end(self, how: str = "terminate") -> tuple[int, str]:
        """Exit code and what stood on standard error."""
        if self.process.poll() is None:
            getattr(self.process, how)()
        _, diagnostics = self.process.communicate(timeout=10)
        return self.process.returncode, diagnostics


@pytest.fixture
def serve() -> Iterator[type]:
    """Start servers that end with the test."""
    servers: list[Server] = []

    def start(*args: str) -> Server:
        servers.append(Server(*args))
        return servers[-1]

    yield start
    for server in servers:
        server.end("kill")


@pytest.fixture(scope="package")
def _pty_server() -> Iterator[Server]:
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals on this system")
    server = Server("--pty", "--url", YARD)
    yield server
    server.end("kill")


@pytest.fixture(scope="package")
def _tcp_server() -> Iterator[Server]:
    server = Server("--tcp", "0", "--url", YARD)
    yield server
    server.end("kill")


@pytest.fixture(params=["sim", "pty", "tcp"])
def url(request) -> str:
    """A port to open, served over the transport in question; speed 8."""
    if request.param == "sim":
        return YARD
    return request.getfixturevalue(f"_{request.param}_server").url


@pytest.fixture
def adapter(url) -> Iterator[Adapter]:
    with Adapter.open(url, lease_s=0.5) as it:
        yield it
