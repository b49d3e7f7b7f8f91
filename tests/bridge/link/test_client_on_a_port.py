"""The client over a real pseudo-terminal: stops across threads, stuck ports, pulled plugs."""

from __future__ import annotations

import threading
import time

import pytest

from bridge.errors import LinkError, LinkLost, OutcomeUnknown
from bridge.link.client import Adapter

STEP = bytes.fromhex("E03168FF")
LOADED_S = 5.0  # s beyond a bound that a loaded machine may take (judgement)


def repeat(action, *, times: int = 100) -> None:
    for _ in range(times):
        action()
        time.sleep(0.001)


def test_opening_greets_and_takes_a_lease(peer):
    with Adapter.open(peer.url, lease_s=0.7) as adapter:
        assert peer.verbs() == ["greet", "lease"]
        assert adapter.url == peer.url


def test_stop_needs_no_turn_and_a_frame_under_way_is_not_sent_again(peer):
    with Adapter.open(peer.url) as adapter:
        sent = threading.Event()

        def silent(packet):
            if packet.verb == "send":
                sent.set()
                return None
            return peer.obey(packet)

        peer.answers = silent
        outcomes = []

        def send() -> None:
            try:
                adapter.send(STEP)
            except LinkError as error:
                outcomes.append(error)

        thread = threading.Thread(target=send)
        thread.start()
        assert sent.wait(LOADED_S)
        adapter.stop()
        thread.join(LOADED_S)
        assert isinstance(outcomes[0], OutcomeUnknown)
        assert peer.verbs().count("stop") == 2
        assert "send" not in peer.verbs()[peer.verbs().index("stop") :]


def test_stop_before_a_stuck_port_returns_within_a_bound(peer):
    adapter = Adapter.open(peer.url)
    peer.stop_reading()
    with pytest.raises(LinkLost):
        repeat(lambda: adapter._port.write(b"x" * 4096))
    before_s = time.monotonic()
    with pytest.raises(LinkLost, match=r"takes no more bytes; unplug it and plug it in again$"):
        adapter.stop()
    adapter.close()
    assert time.monotonic() - before_s < LOADED_S


def test_the_plug_pulled_in_mid_request(peer):
    adapter = Adapter.open(peer.url)
    peer.answers = lambda packet: None
    timer = threading.Timer(0.05, peer.pull_plug)
    timer.start()
    with pytest.raises(LinkLost, match=r"went away; check plug and cable, then open it again$"):
        adapter.send(STEP)
    with pytest.raises(LinkLost):
        adapter.status()
    adapter.close()
    timer.join()


def test_an_adapter_that_does_not_greet_gives_its_port_back(peer):
    peer.answers = lambda packet: None
    with pytest.raises(LinkError):
        Adapter.open(peer.url, timeout_s=0.2)
    peer.answers = peer.obey
    Adapter.open(peer.url).close()
