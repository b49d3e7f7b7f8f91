"""The same body over every transport: what holds for one port holds for all."""

from __future__ import annotations

import threading
import time
from itertools import pairwise

import pytest

from bridge.bus.words import parse_words
from bridge.errors import AdapterRefused, BadInput, FrameError, LinkLost
from bridge.link.client import Adapter
from bridge.link.dialogue import Keyed, Stopped, Tripped
from bridge.link.port import open_port


def frame(words: str) -> bytes:
    return parse_words(words.split()).build()


def wait_for(look, *, timeout_s: float = 8.0):
    """`look()` until it is true."""
    end_s = time.monotonic() + timeout_s
    while not (seen := look()):
        assert time.monotonic() < end_s, "it did not happen in time"
        time.sleep(0.02)
    return seen


def rest(adapter: Adapter):
    """The status once the motor is off and no pulse has come for a while."""
    last = adapter.status()
    quiet_since = time.monotonic()
    while time.monotonic() - quiet_since < 0.25:  # two simulated seconds
        time.sleep(0.02)
        now = adapter.status()
        if now.moving or now.pulses != last.pulses:
            quiet_since = time.monotonic()
        last = now
    return last


def test_it_greets_and_measures(adapter):
    greeting = adapter.greeting
    assert greeting.protocol == 1
    assert greeting.capabilities >= {"pulses", "tally", "motor", "signal", "supply", "two-way"}
    assert greeting.max_bytes >= 6
    status = adapter.status()
    assert status.supply_v in (13, 18)
    assert None not in (status.pulses, status.tally, status.motor_a, status.signal_db)
    assert status.lease_s == 0.5


def test_steps_move_the_dish_and_come_back_as_counts(adapter):
    before = rest(adapter)
    adapter.send(frame("drive east 5 counts"))
    after = rest(adapter)
    # Five steps and what it coasts (1-4 counts, common practice); counts grow west.
    assert 5 <= before.tally - after.tally <= 10
    assert after.pulses - before.pulses == before.tally - after.tally
    adapter.send(frame("drive west 5 counts"))
    assert rest(adapter).tally > after.tally


def test_a_two_way_question_is_answered(adapter):
    sent = adapter.send(frame("raw E2 31 64"), reply_s=0.2)
    assert sent.reply is not None
    assert sent.reply[0] == 0xE4  # reply, no errors (Bus Functional Specification, framing)
    assert len(sent.reply) == 2


def test_frames_pass_in_order_one_after_another(adapter):
    starts_s = [adapter.send(frame("halt")).t_s for _ in range(3)]
    # 3 bytes of 13.5 ms and 15 ms of quiet lie between two starts (from memory).
    gaps_s = [after - before for before, after in pairwise(starts_s)]
    assert all(gap_s >= 3 * 13.5e-3 + 15e-3 - 1e-4 for gap_s in gaps_s)


def test_supply_and_tone_are_switched_and_told(adapter):
    adapter.supply(18)
    adapter.tone(True)
    status = adapter.status()
    assert (status.supply_v, status.tone) == (18, True)
    adapter.tone(False)
    adapter.supply(13)
    adapter.burst("A")
    assert adapter.status().supply_v == 13


def test_tally_is_what_this_place_was_called(adapter):
    rest(adapter)
    adapter.tally(321)
    assert adapter.status().tally == 321


def test_stop_ends_a_drive_and_is_told(adapter):
    rest(adapter)
    adapter.send(frame("drive east 9 seconds"))
    wait_for(lambda: adapter.status().moving == "east")
    adapter.events()
    adapter.stop()
    wait_for(lambda: adapter.status().moving is None)
    events = wait_for(lambda: (seen := adapter.events()) and seen)
    assert any(isinstance(event, Stopped | Keyed) for event in events)


def test_stop_overtakes_a_send_that_waits_in_another_thread(adapter):
    rest(adapter)
    outcomes = []

    def ask() -> None:
        try:
            outcomes.append(adapter.send(frame("raw E2 31 64"), reply_s=2.0))
        except AdapterRefused as error:
            outcomes.append(error)

    def drive() -> None:
        try:
            outcomes.append(adapter.send(frame("drive west 9 seconds")))
        except AdapterRefused as error:
            outcomes.append(error)

    with adapter._turn:  # as if a request were under way: both wait behind it
        threads = [threading.Thread(target=ask), threading.Thread(target=drive)]
        for thread in threads:
            thread.start()
        time.sleep(0.05)
        before_s = time.monotonic()
        adapter.stop()
        assert time.monotonic() - before_s < 0.1
    for thread in threads:
        thread.join(5)
    assert len(outcomes) == 2
    assert all(isinstance(outcome, AdapterRefused) for outcome in outcomes)
    assert adapter.status().moving is None


def test_silence_halts_the_motor_and_the_next_frame_is_refused_once(adapter):
    rest(adapter)
    adapter.send(frame("drive west 127 seconds"))
    wait_for(lambda: adapter.status().moving == "west")
    trips = adapter.status().trips
    time.sleep(0.8)  # longer than the lease of 0.5 s
    with pytest.raises(AdapterRefused, match="silent too long"):
        adapter.send(frame("drive west 1 count"))
    after = wait_for(lambda: (seen := adapter.status()) and seen.moving is None and seen)
    assert after.trips == trips + 1
    assert any(isinstance(event, Tripped) for event in adapter.events())
    adapter.send(frame("drive east 1 count"))  # the lease was renewed by the refusal
    rest(adapter)


def test_what_no_bus_carries_is_refused_before_it_is_sent(adapter):
    for data in (b"", b"x" * 9):
        with pytest.raises(FrameError, match=r"1 to 8|9 bytes"):
            adapter.send(data)
    with pytest.raises(BadInput, match="0, 13 or 18"):
        adapter.supply(15)
    with pytest.raises(BadInput, match="reply time"):
        adapter.send(b"\xe0\x31\x60", reply_s=60)


def test_close_stops_gives_back_and_may_be_repeated(url):
    adapter = Adapter.open(url)
    adapter.send(frame("drive east 9 seconds"))
    adapter.close()
    adapter.close()
    with pytest.raises(LinkLost, match="closed here"):
        adapter.status()
    with Adapter.open(url) as again:
        assert wait_for(lambda: again.status().moving is None)


def test_many_threads_may_ask_at_once(adapter):
    failures = []

    def ask() -> None:
        try:
            for _ in range(20):
                adapter.status()
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert not failures


def test_people_are_answered_without_number_or_checksum(url):
    port = open_port(url)
    try:
        port.write(b"\nstatus\r\n")
        heard = b""
        end_s = time.monotonic() + 3
        while b"pulses=" not in heard and time.monotonic() < end_s:
            heard += port.read(0.1)
        assert b"- ok t_s=" in heard
    finally:
        port.close()
