"""The client before a scripted adapter: retries, restarts, stops, lost links. Nothing waits."""

from __future__ import annotations

import pytest

from bridge.bus.standard import BYTE_S, QUIET_S
from bridge.errors import (
    AdapterRefused,
    BadInput,
    FrameError,
    LinkError,
    LinkLost,
    OutcomeUnknown,
    PortUnavailable,
)
from bridge.link.client import Adapter
from bridge.link.dialogue import ATTEMPTS, RETRY_S, Booted, Heard
from bridge.link.packet import Packet
from bridge.link.status import Greeting, Sent

STEP = bytes.fromhex("E03168FF")


def open_on(port, **options) -> Adapter:
    return Adapter(port, clock=port.clock, **options)


@pytest.fixture
def adapter(port) -> Adapter:
    """An open adapter, what opening sent already forgotten."""
    it = open_on(port)
    port.packets.clear()
    port.written = b""
    return it


def words_of(port) -> list[str]:
    """What reached the adapter, without numbers."""
    return [packet.body for packet in port.packets]


def silent_to(port, verb):
    """Answer everything but one verb."""
    port.answers = lambda packet: None if packet.verb == verb else port.obey(packet)


# ---- opening -----------------------------------------------------------------------------------


def test_opening_ends_an_open_line_greets_and_takes_a_lease(port):
    adapter = open_on(port, lease_s=0.7)
    assert port.written.startswith(b"\n")
    greet, lease = port.packets
    assert (greet.verb, greet.args[0], len(greet.args[1])) == ("greet", "1", 8)
    assert lease.body == "lease 0.7 E03160"
    assert lease.number == ((greet.number or 0) + 1) % 10_000
    assert adapter.greeting == Greeting(1, "scripted", 1, 8, frozenset())
    assert adapter.url == "scripted"


def test_every_session_has_another_nonce(port):
    open_on(port)
    open_on(port)
    nonces = [packet.args[1] for packet in port.packets if packet.verb == "greet"]
    assert len(set(nonces)) == 2


def test_a_board_that_is_slow_to_start_is_greeted_again(port):
    port.answers = lambda packet: None if len(port.packets) < 4 else port.obey(packet)
    open_on(port)
    assert port.verbs() == ["greet"] * 4 + ["lease"]
    assert len({packet.number for packet in port.packets[:4]}) == 1


@pytest.mark.parametrize("timeout_s", [0.5, 3.0, 0.01])
def test_no_adapter_there_is_reported_after_the_time_that_was_allowed(port, timeout_s):
    silent_to(port, "greet")
    with pytest.raises(PortUnavailable) as caught:
        open_on(port, timeout_s=timeout_s)
    assert str(caught.value) == (
        f"the port scripted opened, but no adapter answered within {timeout_s:g} s; check that it "
        "is the adapter's port and that the adapter has power"
    )
    assert port.now_s == pytest.approx(max(timeout_s, RETRY_S), abs=RETRY_S / 2)


def test_another_protocol_is_one_sentence(port):
    port.answers = lambda packet: "no protocol this adapter speaks 9"
    with pytest.raises(LinkError) as caught:
        open_on(port)
    assert str(caught.value) == (
        "the adapter at scripted does not speak protocol 1: this adapter speaks 9; bring its "
        "firmware and arcstep to the same release"
    )


def test_a_lease_that_is_refused_ends_the_opening(port):
    port.answers = lambda packet: (
        "no range a lease is 5 to 9 s" if packet.verb == "lease" else port.obey(packet)
    )
    with pytest.raises(AdapterRefused, match=r"refused the lease: a lease is 5 to 9 s$"):
        open_on(port)


def test_a_lease_without_an_answer_is_a_lost_link(port):
    silent_to(port, "lease")
    with pytest.raises(LinkLost, match="does not answer any more"):
        open_on(port)


@pytest.mark.parametrize("lease_s", [0.2, 10.0])
def test_both_ends_of_the_lease_are_taken(port, lease_s):
    open_on(port, lease_s=lease_s)
    assert port.packets[-1].args[0] == f"{lease_s:g}"


@pytest.mark.parametrize("lease_s", [0.0, 0.19, 10.1, float("nan")])
def test_a_lease_out_of_range_is_refused(port, lease_s):
    with pytest.raises(BadInput, match=r"is not in 0\.2 to 10\.0 s$"):
        open_on(port, lease_s=lease_s)
    assert port.written == b""


def test_events_from_before_the_session_are_dropped(port):
    port.say(Packet(None, "heard", ("2.5", "E0316B07")).line())
    assert open_on(port).events() == []


# ---- requests ----------------------------------------------------------------------------------


def test_each_request_in_its_words(port, adapter):
    assert adapter.send(STEP) == Sent(1.0, None)
    adapter.send(STEP, reply_s=0.15)
    adapter.supply(18)
    adapter.tone(True)
    adapter.tone(False)
    adapter.burst("A")
    adapter.burst("B")
    adapter.tally(-12)
    adapter.status()
    assert words_of(port) == [
        "send E03168FF 0",
        "send E03168FF 150",
        "supply 18",
        "tone on",
        "tone off",
        "burst A",
        "burst B",
        "tally -12",
        "status",
    ]


@pytest.mark.parametrize("data", [b"x", b"x" * 8])
def test_the_shortest_and_the_longest_frame_are_sent(port, adapter, data):
    adapter.send(data, reply_s=2.0)
    assert words_of(port) == [f"send {data.hex().upper()} 2000"]


@pytest.mark.parametrize(
    ("call", "error", "sentence"),
    [
        (lambda it: it.send(b""), FrameError, "a frame of 0 bytes; this adapter sends 1 to 8"),
        (lambda it: it.send(bytes(9)), FrameError, "a frame of 9 bytes; this adapter sends 1 to 8"),
        (
            lambda it: it.send(STEP, reply_s=2.1),
            BadInput,
            "a reply time of 2.1 s is not in 0 to 2.0 s",
        ),
        (
            lambda it: it.send(STEP, reply_s=-0.1),
            BadInput,
            "a reply time of -0.1 s is not in 0 to 2.0 s",
        ),
        (lambda it: it.supply(14), BadInput, "a supply of 14 V; it can be 0, 13 or 18 V"),
        (lambda it: it.burst("C"), BadInput, "a tone burst 'C'; it can be A or B"),
        (
            lambda it: it.tally(1_000_001),
            BadInput,
            "a tally of 1000001 is not in -1000000 to 1000000",
        ),
        (
            lambda it: it.tally(-1_000_001),
            BadInput,
            "a tally of -1000001 is not in -1000000 to 1000000",
        ),
    ],
)
def test_what_no_adapter_takes_is_refused_before_it_is_sent(port, adapter, call, error, sentence):
    with pytest.raises(error) as caught:
        call(adapter)
    assert str(caught.value) == sentence
    assert port.packets == []


@pytest.mark.parametrize("count", [1_000_000, -1_000_000])
def test_the_largest_tallies_are_sent(port, adapter, count):
    adapter.tally(count)
    assert words_of(port) == [f"tally {count}"]


def test_a_reply_comes_as_bytes(port, adapter):
    port.answers = lambda packet: "ok 2.5 E440"
    assert adapter.send(STEP, reply_s=0.2) == Sent(2.5, b"\xe4\x40")


@pytest.mark.parametrize(
    ("call", "answer", "what"),
    [
        (lambda it: it.status(), "ok supply_v=many", "status"),
        (lambda it: it.send(STEP), "ok soon", "answer to a frame"),
    ],
)
def test_nonsense_in_an_answer_is_one_sentence(port, adapter, call, answer, what):
    port.answers = lambda packet: answer
    with pytest.raises(LinkError) as caught:
        call(adapter)
    assert str(caught.value) == (
        f"the adapter's {what} makes no sense: {answer[3:]!r}; bring its firmware and arcstep to "
        "the same release"
    )


def test_what_an_adapter_does_not_measure_is_none(adapter):
    status = adapter.status()
    assert (status.pulses, status.tally, status.motor_a, status.signal_db) == (None,) * 4
    assert (status.supply_v, status.t_s, status.tone, status.lease_s) == (13, 1.0, False, 0.0)


def test_a_refusal_is_passed_on_in_the_words_of_the_adapter(port, adapter):
    port.answers = lambda packet: "no busy the request before is still on the bus"
    with pytest.raises(AdapterRefused) as caught:
        adapter.supply(13)
    assert str(caught.value) == (
        "the adapter at scripted refused `supply`: the request before is still on the bus"
    )


@pytest.mark.parametrize(("answer", "reason"), [("no busy", "busy"), ("no", "")])
def test_a_refusal_without_words_gives_its_code(port, adapter, answer, reason):
    port.answers = lambda packet: answer
    with pytest.raises(AdapterRefused) as caught:
        adapter.supply(13)
    assert str(caught.value) == f"the adapter at scripted refused `supply`: {reason}"


# ---- retries -----------------------------------------------------------------------------------


def test_a_lost_answer_is_asked_for_again_with_the_same_line(port, adapter):
    port.answers = lambda packet: None if len(port.packets) == 1 else port.obey(packet)
    assert adapter.send(STEP).t_s == 1.0
    assert words_of(port) == ["send E03168FF 0"] * 2
    assert port.packets[0] == port.packets[1]


@pytest.mark.parametrize(
    ("call", "bus_s"),
    [
        # quiet, four bytes of 13.5 ms, quiet; with a reply its wait and four bytes more
        (lambda it: it.send(STEP), 2 * QUIET_S + 4 * BYTE_S),
        (lambda it: it.send(STEP, reply_s=0.2), 3 * QUIET_S + 8 * BYTE_S + 0.2),
        (lambda it: it.supply(13), QUIET_S),
        (lambda it: it.tone(True), QUIET_S),
        (lambda it: it.burst("A"), 3 * QUIET_S),
        (lambda it: it.tally(0), 0.0),
    ],
)
def test_each_attempt_waits_for_the_time_that_the_bus_needs(port, adapter, call, bus_s):
    port.answers = lambda packet: None
    with pytest.raises(OutcomeUnknown):
        call(adapter)
    assert len(port.packets) == ATTEMPTS
    assert port.now_s == pytest.approx(ATTEMPTS * (RETRY_S + bus_s))


def test_no_answer_at_all_is_unknown_never_failed(port, adapter):
    silent_to(port, "send")
    with pytest.raises(OutcomeUnknown) as caught:
        adapter.send(STEP)
    assert str(caught.value) == (
        "no answer to `send` from scripted: it may or may not have acted; look at the dish before "
        "you go on"
    )
    assert adapter.status().supply_v == 13


def test_an_adapter_gone_silent_is_a_lost_link(port, adapter):
    silent_to(port, "status")
    with pytest.raises(LinkLost) as caught:
        adapter.status()
    assert str(caught.value) == (
        "the adapter at scripted does not answer any more; check its power and cable, then open it "
        "again"
    )


# ---- restarts ----------------------------------------------------------------------------------


def restart(port, verb, *, lose_first=False):
    """The adapter has restarted, and says so to the next request of a kind."""
    met = []

    def answer(packet):
        if packet.verb != verb or len(met) > lose_first:
            return port.obey(packet)
        met.append(packet)
        return None if lose_first and len(met) == 1 else "no session greet first"

    port.answers = answer
    port.boot = 2


def test_a_restart_is_reported_and_nothing_is_sent_twice(port, adapter):
    restart(port, "send")
    with pytest.raises(AdapterRefused) as caught:
        adapter.send(STEP)
    assert str(caught.value) == (
        "the adapter at scripted refused `send`: it had restarted; nothing was done, try again"
    )
    assert adapter.greeting.boot == 2
    assert adapter.events() == [Booted(2)]
    assert adapter.send(STEP).t_s == 1.0
    assert port.verbs() == ["send", "greet", "lease", "send"]


def test_the_same_boot_number_is_no_restart(port, adapter):
    restart(port, "send")
    port.boot = 1
    with pytest.raises(AdapterRefused):
        adapter.send(STEP)
    assert adapter.events() == []


def test_a_restart_after_a_retry_is_unknown(port, adapter):
    restart(port, "send", lose_first=True)
    with pytest.raises(OutcomeUnknown) as caught:
        adapter.send(STEP)
    assert str(caught.value) == (
        "the adapter at scripted restarted while `send` was under way: it may or may not have "
        "acted; look at the dish before you go on"
    )


def test_a_question_survives_a_restart(port, adapter):
    restart(port, "status")
    assert adapter.status().supply_v == 13
    assert port.verbs() == ["status", "greet", "lease", "status"]


def test_a_question_refused_again_after_a_restart_is_a_lost_link(port, adapter):
    port.answers = lambda packet: (
        "no session greet first" if packet.verb == "status" else port.obey(packet)
    )
    with pytest.raises(LinkLost):
        adapter.status()
    assert port.verbs() == ["status", "greet", "lease", "status"]


def test_a_lapsed_lease_is_renewed_and_the_frame_refused_once(port, adapter):
    port.answers = lambda packet: (
        "no lapsed the host was silent too long" if packet.verb == "send" else port.obey(packet)
    )
    with pytest.raises(AdapterRefused, match=r"refused `send`: the host was silent too long$"):
        adapter.send(STEP)
    assert words_of(port) == ["send E03168FF 0", "lease 1 E03160"]


def test_another_refusal_renews_no_lease(port, adapter):
    port.answers = lambda packet: "no range 1 to 8 bytes"
    with pytest.raises(AdapterRefused):
        adapter.send(STEP)
    assert port.verbs() == ["send"]


# ---- stop, close, lost links -------------------------------------------------------------------


def test_stop_is_written_bare_and_twice_without_waiting_for_an_answer(port, adapter):
    adapter.stop()
    assert port.written == b"\nstop\nstop\n"
    assert port.now_s == 0.0


def test_a_frame_under_way_is_not_sent_again_after_a_stop(port, adapter):
    silent_to(port, "send")
    reads = []

    def stop_at_second_read():
        reads.append(port.now_s)
        if len(reads) == 2:
            adapter.stop()

    port.on_read = stop_at_second_read
    with pytest.raises(OutcomeUnknown):
        adapter.send(STEP)
    assert port.verbs() == ["send", "send", "stop", "stop"]


def test_anything_but_a_frame_is_asked_again_in_spite_of_a_stop(port, adapter):
    silent_to(port, "supply")
    port.on_read = lambda: "stop" in port.verbs() or adapter.stop()
    with pytest.raises(OutcomeUnknown):
        adapter.supply(13)
    assert port.verbs().count("supply") == ATTEMPTS


def test_a_frame_after_a_stop_is_sent(port, adapter):
    adapter.stop()
    assert adapter.send(STEP).t_s == 1.0


def test_closing_stops_the_motor_ends_the_lease_and_closes_the_port(port, adapter):
    adapter.close()
    assert words_of(port) == ["stop", "stop", "lease 0 -"]
    assert port.closed
    adapter.close()
    assert len(port.packets) == 3
    with pytest.raises(LinkLost, match=r"the port scripted was closed here$"):
        adapter.status()


def test_leaving_a_with_block_closes(port):
    with open_on(port):
        pass
    assert port.closed


def test_closing_does_not_insist_on_the_end_of_the_lease(port, adapter):
    silent_to(port, "lease")
    adapter.close()
    assert port.verbs() == ["stop", "stop", "lease", "lease"]
    assert port.closed


def test_a_lost_port_is_raised_by_every_request_and_closed_all_the_same(port, adapter):
    port.lost = LinkLost("the port scripted went away")
    for ask in (adapter.status, adapter.stop, lambda: adapter.supply(13)):
        with pytest.raises(LinkLost, match="went away"):
            ask()
    assert adapter.events() == []
    adapter.close()
    assert port.closed


# ---- events ------------------------------------------------------------------------------------


def test_events_come_without_asking_and_noise_is_no_trouble(port, adapter):
    port.say(b"\xff\x00 noise\n- heard 2.5 E0316B07 \n")
    port.say(Packet(None, "heard", ("2.5", "E0316B07")).line())
    port.say(Packet(None, "heard", ("2.5", "E0316")).line())
    port.say(Packet(None, "invented", ("later",)).line())
    adapter.status()
    heard = [event for event in adapter.events() if isinstance(event, Heard)]
    assert heard == [Heard(2.5, bytes.fromhex("E0316B07"))]
    assert adapter.events() == []


def test_events_are_read_from_the_port_in_order_without_a_request(port, adapter):
    for boot in ("5", "6"):
        port.say(Packet(None, "booted", (boot,)).line())
    assert adapter.events() == [Booted(5), Booted(6)]
    assert port.packets == []


def test_of_many_events_the_last_two_thousand_wait(port, adapter):
    for boot in range(2_500):
        port.say(Packet(None, "booted", (str(boot),)).line())
    events = adapter.events()
    assert len(events) == 2_000
    assert events[-1] == Booted(2_499)
