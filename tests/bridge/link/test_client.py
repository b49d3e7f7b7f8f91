"""The blocking client before a scripted adapter: retries, restarts, stops, lost links."""

from __future__ import annotations

import threading
import time

import pytest

from bridge.errors import (
    AdapterRefused,
    BadInput,
    LinkError,
    LinkLost,
    OutcomeUnknown,
    PortUnavailable,
)
from bridge.link.client import Adapter
from bridge.link.dialogue import Booted, Heard


def again(deed, *, times: int = 100) -> None:
    for _ in range(times):
        deed()
        time.sleep(0.001)


STEP = bytes.fromhex("E03168FF")


def test_opening_greets_and_takes_a_lease(peer):
    with Adapter.open(peer.url, lease_s=0.7):
        assert peer.verbs() == ["greet", "lease"]
        assert peer.packets[1].args == ("0.7", "E03160")


def test_a_board_that_is_slow_to_start_is_greeted_again(peer):
    peer.answers = lambda packet: None if len(peer.packets) < 4 else peer.obey(packet)
    with Adapter.open(peer.url):
        assert peer.verbs()[:4] == ["greet"] * 4
        assert len({packet.number for packet in peer.packets[:4]}) == 1


def test_no_adapter_there_is_said_in_time(peer):
    peer.answers = lambda packet: None
    before_s = time.monotonic()
    with pytest.raises(PortUnavailable, match=r"no adapter answered within 0\.5 s"):
        Adapter.open(peer.url, timeout_s=0.5)
    assert time.monotonic() - before_s < 1.5


def test_another_protocol_is_said_in_words(peer):
    peer.answers = lambda packet: "no protocol this adapter speaks 9"
    with pytest.raises(LinkError, match="speaks 9"):
        Adapter.open(peer.url)


def test_nonsense_in_an_answer_is_one_sentence(peer):
    with Adapter.open(peer.url) as adapter:
        peer.answers = lambda packet: "ok supply_v=many"
        with pytest.raises(LinkError, match="makes no sense"):
            adapter.status()


def test_what_an_adapter_does_not_measure_is_none(peer):
    with Adapter.open(peer.url) as adapter:
        status = adapter.status()
    assert (status.pulses, status.tally, status.motor_a, status.signal_db) == (None,) * 4


def test_a_lost_answer_is_asked_for_again_with_the_same_line(peer):
    with Adapter.open(peer.url) as adapter:
        missed = []

        def lose_one(packet):
            if packet.verb == "send" and not missed:
                missed.append(packet)
                return None
            return peer.obey(packet)

        peer.answers = lose_one
        assert adapter.send(STEP).t_s == 1.0
        sends = [packet for packet in peer.packets if packet.verb == "send"]
        assert len(sends) == 2
        assert sends[0] == sends[1]


def test_no_answer_at_all_is_unknown_never_failed(peer):
    with Adapter.open(peer.url) as adapter:
        peer.answers = lambda packet: None if packet.verb == "send" else peer.obey(packet)
        with pytest.raises(OutcomeUnknown, match="may or may not have acted"):
            adapter.send(STEP)
        adapter.status()


def test_an_adapter_gone_silent_is_a_lost_link(peer):
    adapter = Adapter.open(peer.url)
    peer.answers = lambda packet: None
    with pytest.raises(LinkLost, match="does not answer any more"):
        adapter.status()
    adapter.close()


def test_a_restart_is_told_and_nothing_is_sent_twice(peer):
    with Adapter.open(peer.url) as adapter:
        fresh = [True]

        def restart(packet):
            if packet.verb == "greet":
                fresh[0] = False
            elif fresh[0]:
                return "no session greet first"
            return peer.obey(packet)

        peer.boot = 2
        peer.answers = restart
        with pytest.raises(AdapterRefused, match="restarted; nothing was done"):
            adapter.send(STEP)
        assert Booted(2) in adapter.events()
        assert adapter.send(STEP).t_s == 1.0
        assert peer.verbs()[-4:] == ["send", "greet", "lease", "send"]


def test_a_restart_after_a_retry_is_unknown(peer):
    with Adapter.open(peer.url) as adapter:
        sends = []

        def restart(packet):
            if packet.verb == "send":
                sends.append(packet)
                return None if len(sends) == 1 else "no session greet first"
            return peer.obey(packet)

        peer.answers = restart
        with pytest.raises(OutcomeUnknown, match="restarted while"):
            adapter.send(STEP)


def test_a_question_survives_a_restart(peer):
    with Adapter.open(peer.url) as adapter:
        asked = []

        def restart(packet):
            if packet.verb == "status":
                asked.append(packet)
                return "no session greet first" if len(asked) == 1 else peer.obey(packet)
            return peer.obey(packet)

        peer.answers = restart
        assert adapter.status().supply_v == 13


def test_a_lapsed_lease_is_renewed_and_the_frame_refused_once(peer):
    with Adapter.open(peer.url) as adapter:
        peer.answers = lambda packet: (
            "no lapsed the host was silent too long" if packet.verb == "send" else peer.obey(packet)
        )
        with pytest.raises(AdapterRefused, match="silent too long"):
            adapter.send(STEP)
        assert peer.verbs()[-2:] == ["send", "lease"]


def test_stop_needs_no_turn_and_a_frame_under_way_is_not_sent_again(peer):
    with Adapter.open(peer.url) as adapter:
        peer.answers = lambda packet: None if packet.verb == "send" else peer.obey(packet)
        outcomes = []

        def send() -> None:
            try:
                adapter.send(STEP)
            except LinkError as error:
                outcomes.append(error)

        thread = threading.Thread(target=send)
        thread.start()
        while "send" not in peer.verbs():
            time.sleep(0.005)
        before_s = time.monotonic()
        adapter.stop()
        assert time.monotonic() - before_s < 0.05
        thread.join(5)
        assert isinstance(outcomes[0], OutcomeUnknown)
        assert peer.verbs().count("stop") == 2
        after_stop = peer.verbs()[peer.verbs().index("stop") :]
        assert "send" not in after_stop


def test_stop_before_a_stuck_port_returns_within_a_bound(peer):
    adapter = Adapter.open(peer.url)
    peer.stop_reading()
    with pytest.raises(LinkLost):
        again(lambda: adapter._port.write(b"x" * 4096))
    before_s = time.monotonic()
    with pytest.raises(LinkLost):
        adapter.stop()
    assert time.monotonic() - before_s < 0.8
    before_s = time.monotonic()
    adapter.close()
    assert time.monotonic() - before_s < 2.0


def test_the_plug_pulled_in_mid_request(peer):
    adapter = Adapter.open(peer.url)
    peer.answers = lambda packet: None
    timer = threading.Timer(0.1, peer.pull_plug)
    timer.start()
    with pytest.raises(LinkLost, match="went away") as caught:
        adapter.send(STEP)
    assert "\n" not in str(caught.value)
    for ask in (adapter.status, adapter.stop, lambda: adapter.supply(13)):
        with pytest.raises(LinkLost):
            ask()
    assert adapter.events() == []
    adapter.close()
    timer.join()


def test_events_come_without_asking_and_noise_is_no_trouble(peer):
    with Adapter.open(peer.url) as adapter:
        adapter.events()
        peer.say(b"\xff\x00 noise\n- heard 2.5 E0316B07 ")
        from bridge.link.packet import Packet

        peer.say(b"\n" + Packet(None, "heard", ("2.5", "E0316B07")).line())
        peer.say(Packet(None, "heard", ("2.5", "E0316")).line())
        peer.say(Packet(None, "invented", ("later",)).line())
        adapter.status()
        heard = [event for event in adapter.events() if isinstance(event, Heard)]
        assert heard == [Heard(2.5, bytes.fromhex("E0316B07"))]


@pytest.mark.parametrize("lease_s", [0.0, 0.1, 11.0, float("nan")])
def test_a_lease_out_of_range_is_refused(peer, lease_s):
    with pytest.raises(BadInput, match=r"0\.2 to 10"):
        Adapter.open(peer.url, lease_s=lease_s)
