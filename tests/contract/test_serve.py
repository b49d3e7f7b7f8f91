"""`arcstep serve` as another process, driven through the real port."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import sys
import time

import pytest

from bridge.bus.words import parse_words
from bridge.errors import BadInput, LinkError, LinkLost, PortUnavailable
from bridge.link.client import Adapter
from tui.commands.serve import open_tcp

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

SPEED = 8
LEASE_S = 0.5  # s
YARD = f"sim://larkmere?speed={SPEED}"


def send(adapter: Adapter, words: str):
    return adapter.send(parse_words(words.split()).build())


def look_on(adapter: Adapter, *, times: int = 100) -> None:
    for _ in range(times):
        adapter.status()
        time.sleep(0.02)


def test_unplugged_in_mid_move_the_lease_halts_the_dish_and_the_next_host_is_served(
    serve, tmp_path
):
    state = tmp_path / "yard.json"
    server = serve("--pty", "--url", f"{YARD}&state={state}")
    adapter = Adapter.open(server.url, lease_s=LEASE_S)
    start = adapter.status().tally
    send(adapter, "drive east 127 seconds")
    adapter._port.close()  # no goodbye
    with pytest.raises(LinkLost):
        adapter.status()

    time.sleep(LEASE_S + 0.2)
    with Adapter.open(server.url) as adapter:
        halted = adapter.status()
        assert halted.moving is None
        assert halted.trips == 1
        # A lease of motion at 8 times the pace and 7.6 counts a second (Larkmere's motor), the
        # time the lease takes to be noticed, and some coast.
        assert start - 1.5 * LEASE_S * SPEED * 7.6 - 15 <= halted.tally < start
    code, diagnostics = server.end()
    assert code == 0, diagnostics
    assert "Traceback" not in diagnostics

    stored = json.loads(state.read_text())
    assert stored["yard"] == "larkmere"
    with Adapter.open(f"{YARD}&state={state}") as adapter:
        assert adapter.greeting.boot == stored["boot"] + 1
        assert abs(adapter.status().tally - halted.tally) <= 4  # what it still coasted


def test_a_server_that_dies_is_link_lost_in_one_sentence(serve):
    server = serve("--pty", "--url", YARD)
    adapter = Adapter.open(server.url)
    send(adapter, "drive east 20 seconds")
    server.end("kill")
    with pytest.raises(LinkError) as caught:
        look_on(adapter)
    assert isinstance(caught.value, LinkLost)
    assert str(caught.value).count("\n") == 0
    assert server.url in str(caught.value)
    before_s = time.monotonic()
    with pytest.raises(LinkLost):
        adapter.stop()
    adapter.close()
    assert time.monotonic() - before_s < 5.0  # the bound is a second or so
    with pytest.raises(PortUnavailable, match="no port"):
        Adapter.open(server.url)


@pytest.mark.parametrize(
    ("way", "number", "code"),
    [(("--pty",), signal.SIGTERM, 0), (("--tcp", "0"), signal.SIGINT, 130)],
)
def test_signals_end_it_cleanly_with_a_client_on(serve, way, number, code):
    server = serve(*way, "--url", YARD)
    adapter = Adapter.open(server.url)
    send(adapter, "drive east 9 seconds")
    os.kill(server.process.pid, number)
    ended, diagnostics = server.end("poll")
    assert ended == code
    assert "Traceback" not in diagnostics
    with pytest.raises(LinkLost):
        look_on(adapter)
    adapter.close()


def test_a_client_that_never_reads_stalls_neither_lease_nor_server(serve):
    server = serve("--pty", "--url", f"{YARD}&seed=1")
    adapter = Adapter.open(server.url, lease_s=LEASE_S)
    send(adapter, "drive west 127 seconds")
    adapter._port.close()
    flood = os.open(server.url, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    end_s = time.monotonic() + 2 * LEASE_S
    while time.monotonic() < end_s:
        with contextlib.suppress(BlockingIOError):
            os.write(flood, b"status\n" * 20)
        time.sleep(0.01)
    os.close(flood)
    with Adapter.open(server.url) as again:
        status = again.status()
        assert status.trips == 1
        assert status.moving is None


def test_tcp_turns_a_second_client_away_and_takes_the_next(serve):
    server = serve("--tcp", "127.0.0.1:0", "--url", YARD)
    assert re.fullmatch(r"socket://127\.0\.0\.1:\d+", server.url)
    first = Adapter.open(server.url)
    with pytest.raises(LinkError):
        Adapter.open(server.url, timeout_s=0.5)
    first.status()
    first.close()
    with Adapter.open(server.url) as second:
        assert second.status().moving is None


@pytest.mark.parametrize("where", ["5000", ":5000", "0", "localhost:0"])
def test_loopback_unless_told_otherwise(where, capsys):
    try:
        endpoint = open_tcp(where)
    except PortUnavailable:
        pytest.skip("port 5000 is taken on this machine")
    assert endpoint._listener.getsockname()[0] == "127.0.0.1"
    endpoint.close()
    assert capsys.readouterr().err == ""


def test_the_open_network_is_warned_of(capsys):
    endpoint = open_tcp("0.0.0.0:0")
    endpoint.close()
    assert "open to the network" in capsys.readouterr().err


@pytest.mark.parametrize("where", ["", "x", "127.0.0.1:", "127.0.0.1:99999", "127.0.0.1:-1"])
def test_a_place_that_is_none_is_refused(where):
    with pytest.raises(BadInput, match="HOST:PORT"):
        open_tcp(where)
