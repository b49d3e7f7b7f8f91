"""The simulated adapter: bus timing, lease, stop, exactly once. No sleeping: time is given."""

from __future__ import annotations

import pytest

from bridge.link.packet import LONGEST_LINE, Packet, parse_line
from sim.adapter import SimAdapter

HALT, HALT_AGAIN = "E03160", "E13160"
STEP_EAST = "E03168FF"
BYTE_S = 13.5e-3  # s an byte: 9 bits of 1.5 ms (Bus Functional Specification 4.2, from memory)
QUIET_S = 15e-3  # s at least between acts (same, from memory)


class Host:
    """Numbers requests and reads answers; no retries, no clock."""

    def __init__(self, dish) -> None:
        self.dish = dish
        self.adapter = SimAdapter(dish, boot=7)
        self.now_s = 0.0
        self.number = 0
        self.seen: list[Packet] = []

    def raw(self, data: bytes) -> list[str]:
        self.adapter.receive(data, self.now_s)
        return self.collect()

    def collect(self) -> list[str]:
        packets = [parse_line(line) for line in self.adapter.take().split(b"\n")[:-1]]
        assert None not in packets, "the adapter sent a line that does not check"
        self.seen += packets
        return [f"{'-' if p.number is None else p.number} {p.body}" for p in packets]

    def ask(self, *words: str, number: int | None = None) -> list[str]:
        if number is None:
            self.number += 1
        verb, *args = " ".join(words).split()
        packet = Packet(self.number if number is None else number, verb, tuple(args))
        return self.raw(packet.line())

    def run(self, seconds: float) -> list[str]:
        self.now_s += seconds
        self.adapter.advance(self.now_s)
        return self.collect()

    def begin(self, lease: str = "1") -> None:
        self.collect()
        assert " ok " in self.ask("greet 1 abcd")[0]
        assert self.ask(f"lease {lease} {HALT}") == [f"{self.number} ok"]


@pytest.fixture
def host(noting_dish) -> Host:
    return Host(noting_dish)


def test_greeting_tells_protocol_firmware_boot_longest_frame_and_capabilities(host):
    assert host.collect() == ["- booted 7"]
    assert host.ask("greet 1 abcd") == [
        "1 ok 1 simulated-1 7 8 pulses,tally,motor,signal,listening,supply,two-way"
    ]


def test_another_protocol_is_refused_and_opens_no_session(host):
    host.collect()
    assert host.ask("greet 2 abcd") == ["1 no protocol this adapter speaks 1"]
    assert host.ask("keep") == ["2 no session greet first"]


def test_a_frame_takes_its_time_and_is_heard_when_it_ends(host):
    host.begin()
    assert host.ask(f"send {STEP_EAST} 0") == []
    assert host.run(4 * BYTE_S - 1e-6) == []
    assert host.run(2e-6) == [f"{host.number} ok 0.0000"]
    ((heard_s, data),) = host.dish.heard
    assert heard_s == pytest.approx(4 * BYTE_S)
    assert data.hex().upper() == STEP_EAST


def test_frames_keep_the_quiet_time_between_them(host):
    host.begin()
    host.ask(f"send {STEP_EAST} 0")
    host.run(0.0541)
    host.ask(f"send {STEP_EAST} 0")
    assert host.run(1.0)[0] == f"{host.number} ok {4 * BYTE_S + QUIET_S:.4f}"


def test_supply_change_is_followed_by_quiet_before_a_frame(host):
    host.begin()
    assert host.ask("supply 18") == [f"{host.number} ok 0.0000"]
    host.ask(f"send {STEP_EAST} 0")
    assert host.run(0.5) == [f"{host.number} ok {QUIET_S:.4f}"]
    assert host.dish.supply == [(0.0, 13), (0.0, 18)]


def test_continuous_tone_leaves_the_cable_around_a_frame(host):
    host.begin()
    host.ask("tone on")
    host.run(0.1)
    host.ask(f"send {STEP_EAST} 0")
    host.run(0.5)
    (on, off, back) = host.dish.tone
    assert (on[1], off[1], back[1]) == (True, False, True)
    ((heard_s, _),) = host.dish.heard
    assert heard_s - 4 * BYTE_S - off[0] == pytest.approx(QUIET_S)
    assert back[0] - heard_s == pytest.approx(QUIET_S)


def test_a_reply_comes_in_the_answer_once_it_has_passed(host):
    host.dish.replies[bytes.fromhex("E23164")] = bytes.fromhex("E440")
    host.begin()
    host.ask("send E23164 150")
    assert host.run(3 * BYTE_S + QUIET_S + 2 * BYTE_S) == []
    assert host.run(0.1) == [f"{host.number} ok 0.0000 E440"]


def test_no_reply_ends_the_wait(host):
    host.begin()
    host.ask("send E23164 150")
    assert host.run(3 * BYTE_S + 0.149) == []
    assert host.run(0.002) == [f"{host.number} ok 0.0000"]


def test_a_reply_nobody_waits_for_is_told_as_heard(host):
    host.dish.replies[bytes.fromhex("E23164")] = bytes.fromhex("E440")
    host.begin()
    host.ask("send E23164 0")
    start_s = 3 * BYTE_S + QUIET_S
    assert host.run(0.5) == [f"{host.number} ok 0.0000", f"- heard {start_s:.4f} E440"]


def test_same_number_and_words_is_answered_again_and_not_acted_on_again(host):
    host.begin()
    host.ask(f"send {STEP_EAST} 0")
    again = host.ask(f"send {STEP_EAST} 0", number=host.number)
    assert again == [f"{host.number} wait"]
    first = host.run(0.2)
    assert host.ask(f"send {STEP_EAST} 0", number=host.number) == first
    host.run(0.5)
    assert host.dish.frames == [STEP_EAST]


def test_same_number_with_other_words_is_refused(host):
    host.begin()
    host.ask(f"send {STEP_EAST} 0")
    host.run(0.2)
    (answer,) = host.ask("send E03169FF 0", number=host.number)
    assert answer.startswith(f"{host.number} no number")
    host.run(0.2)
    assert host.dish.frames == [STEP_EAST]


def test_an_older_number_is_refused_and_a_later_one_taken(host):
    host.begin()
    assert host.ask("keep", number=host.number - 1)[0].split()[1] == "no"
    assert host.ask("keep", number=host.number + 40) == [f"{host.number + 40} ok"]


def test_numbers_come_round(host):
    host.collect()
    host.ask("greet 1 abcd", number=9999)
    assert host.ask("keep", number=0) == ["0 ok"]


def test_no_frame_without_session_or_lease_but_the_stop_frame(host):
    host.collect()
    assert host.ask(f"send {STEP_EAST} 0") == ["1 no session greet first"]
    host.ask("greet 1 abcd")
    assert host.ask(f"send {STEP_EAST} 0")[0].split()[1:3] == ["no", "lease"]
    host.ask(f"send {HALT} 0")
    host.run(0.5)
    assert host.dish.frames == [HALT]


def test_silence_sends_the_stop_frame_three_times_and_says_so(host):
    host.begin()
    host.ask(f"send {STEP_EAST} 0")
    told = host.run(2.0)
    assert host.dish.frames == [STEP_EAST, HALT, HALT_AGAIN, HALT_AGAIN]
    assert [word.split()[1] for word in told] == ["ok", "tripped", "keyed", "keyed", "keyed"]
    starts_s = [at_s - 3 * BYTE_S for at_s, _ in host.dish.heard[1:]]
    assert starts_s == pytest.approx([1.0, 1.1, 1.2])


def test_after_a_lapse_frames_are_refused_until_a_new_lease(host):
    host.begin()
    host.run(2.0)
    assert host.ask(f"send {STEP_EAST} 0")[0].split()[1:3] == ["no", "lapsed"]
    host.ask(f"lease 1 {HALT}")
    host.ask(f"send {STEP_EAST} 0")
    host.run(0.3)
    assert host.dish.frames[-1] == STEP_EAST


@pytest.mark.parametrize("feed", ["keep", "status"])
def test_packets_of_the_session_feed_the_lease(host, feed):
    host.begin(lease="0.2")
    for _ in range(20):
        host.run(0.15)
        host.ask(feed)
    assert host.dish.frames == []


@pytest.mark.parametrize(
    "line",
    [b"status\n", b"keep\n", b"3 keep 0000\n", b"- keep 6E6B\n", Packet(9, "ok").line()],
)
def test_nothing_else_feeds_the_lease(host, line):
    host.begin(lease="0.5")
    for _ in range(10):
        host.run(0.1)
        host.raw(line)
    assert host.dish.frames[0] == HALT


def test_lease_is_measured_in_the_hosts_time(host):
    host.adapter.lease.pace = 10.0
    host.begin(lease="1")
    host.run(9.9)
    assert host.dish.frames == []
    host.run(1.0)
    assert host.dish.frames[0] == HALT


def test_lease_zero_ends_it_without_a_trip(host):
    host.begin()
    assert host.ask("lease 0 -") == [f"{host.number} ok"]
    host.run(5.0)
    assert host.dish.frames == []


def test_a_new_session_stops_what_the_old_one_moved(host):
    host.begin()
    host.ask("greet 1 other")
    host.run(0.5)
    assert host.dish.frames == [HALT, HALT_AGAIN]


def test_bare_stop_is_always_taken_and_goes_ahead_of_what_waits(host):
    host.begin()
    host.ask("supply 18")  # so that the next frame waits for quiet
    host.ask(f"send {STEP_EAST} 0")
    told = host.raw(b"\nstop\nstop\n")
    assert told == [
        f"- stopped {host.now_s:.4f}",
        f"{host.number} no stopped a stop came first; nothing was sent",
    ]
    host.run(0.5)
    assert host.dish.frames == [HALT, HALT_AGAIN]


@pytest.mark.parametrize("line", [b"stop\n", b"stop\r\n", b" STOP \r\n", b"garbage\xff\nstop\n"])
def test_people_may_type_stop_without_any_session(host, line):
    host.raw(line)
    host.run(0.3)
    assert host.dish.frames == [HALT, HALT_AGAIN]


def test_a_stop_during_a_frame_follows_it(host):
    host.begin()
    host.ask(f"send {STEP_EAST} 0")
    host.run(0.01)
    host.raw(b"stop\n")
    host.run(0.5)
    assert host.dish.frames == [STEP_EAST, HALT, HALT_AGAIN]
    assert host.dish.heard[1][0] == pytest.approx(4 * BYTE_S + QUIET_S + 3 * BYTE_S)


def test_a_stop_ends_the_wait_for_a_reply(host):
    host.begin()
    host.ask("send E23164 1000")
    host.run(0.1)
    host.raw(b"stop\n")
    host.run(0.0406)
    assert host.dish.frames == ["E23164", HALT]


def test_bare_status_is_answered_in_words(host):
    host.collect()
    (told,) = host.raw(b"status\n")
    assert told.startswith("- ok t_s=0.0000 pulses=0 tally=0 moving=- ")


def test_tally_calls_this_place_a_number(host):
    host.begin()
    host.ask("tally 500")
    host.ask(f"send {STEP_EAST} 0")
    host.run(0.1)
    (told,) = host.ask("status")
    assert "pulses=1 tally=499" in told


@pytest.mark.parametrize(
    "words",
    [
        "send",
        "send E 0",
        "send XYZ 0",
        "send E03160 -1",
        "send E03160E03160E03160 0",
        "supply 15",
        "tone maybe",
        "burst C",
        "tally x",
        "lease x",
        "lease nan E03160",
        "lease 100 E03160",
        "lease 1 -",
    ],
)
def test_nonsense_is_refused_with_a_reason(host, words):
    host.begin()
    (told,) = host.ask(words)
    assert told.split()[1] == "no"
    host.run(0.5)
    assert host.dish.frames == []


def test_a_host_that_does_not_read_cannot_stall_the_lease(host):
    host.begin()
    for _ in range(1000):  # nothing is taken from the adapter
        host.now_s += 0.01
        host.adapter.receive(b"status\nnonsense\n", host.now_s)
    assert host.dish.frames[0] == HALT
    assert len(host.adapter.take()) < 64 * (LONGEST_LINE + 1)


def test_an_echo_of_its_own_lines_is_not_answered(host):
    host.begin()
    host.ask("status")
    for packet in list(host.seen):
        assert host.raw(packet.line()) == []


def test_any_slicing_of_time_gives_the_same_bus(make_noting_dish):
    heard = []
    for step_s in (0.001, 0.0137, 0.25, 3.0):
        dish = make_noting_dish()
        host = Host(dish)
        host.begin()
        host.ask(f"send {STEP_EAST} 0")
        while host.now_s < 3.0 - 1e-9:
            host.run(min(step_s, 3.0 - host.now_s))
        heard.append([(round(at_s, 9), data) for at_s, data in dish.heard])
    assert all(other == heard[0] for other in heard)
