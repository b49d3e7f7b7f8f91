"""The coax of the simulated adapter: order, quiet times and replies, each to the standard.

Times are of the Bus Functional Specification 4.2 (from memory): nine bits of 1.5 ms a byte, a
tone burst of 12.5 ms, at least 15 ms of quiet in between, 6 ms without tone that end a message.
"""

from __future__ import annotations

import pytest

from sim.cable import Cable, CableTask, Completed

BYTE_S, BURST_S, QUIET_S, END_S = 13.5e-3, 12.5e-3, 15e-3, 6e-3
STEP, ASK, REPLY = bytes.fromhex("E03168FF"), bytes.fromhex("E23164"), bytes.fromhex("E440")


@pytest.fixture
def cable(noting_dish) -> Cable:
    return Cable(noting_dish)


def frame(ticket: int, data: bytes = STEP, **options) -> CableTask:
    return CableTask("frame", ticket, data, **options)


def test_it_starts_at_13_volt_without_tone_and_idle(cable, noting_dish):
    assert (cable.supply_v, cable.tone, cable.next_s()) == (13, False, None)
    assert noting_dish.supply == [(0.0, 13)]
    assert cable.advance(5.0) == []
    assert noting_dish.time_s == 5.0
    assert noting_dish.tone == []


def test_a_frame_is_heard_when_its_last_byte_has_ended(cable, noting_dish):
    cable.enqueue(frame(1))
    assert cable.next_s() == 0.0
    assert cable.advance(4 * BYTE_S - 1e-6) == []
    assert cable.advance(4 * BYTE_S) == [Completed(1, 0.0, STEP)]
    assert noting_dish.heard == [(pytest.approx(4 * BYTE_S), STEP)]
    assert cable.next_s() is None


def test_a_burst_takes_its_time_and_quiet_follows(cable, noting_dish):
    cable.enqueue(CableTask("burst", 1))
    cable.enqueue(frame(2))
    burst, after = cable.advance(1.0)
    assert burst == Completed(1, 0.0)
    assert after.start_s == pytest.approx(BURST_S + QUIET_S)
    assert noting_dish.frames == [STEP.hex().upper()]  # a burst is no frame


def test_quiet_follows_a_supply_change(cable, noting_dish):
    cable.enqueue(CableTask("supply", 1, value=18))
    cable.enqueue(frame(2))
    changed, after = cable.advance(1.0)
    assert changed == Completed(1, 0.0)
    assert after.start_s == pytest.approx(QUIET_S)
    assert cable.supply_v == 18
    assert noting_dish.supply == [(0.0, 13), (0.0, 18)]


def test_tone_leaves_for_a_burst_as_well_and_comes_back(cable, noting_dish):
    cable.enqueue(CableTask("tone", 1, value=1))
    assert cable.advance(0.0) == [Completed(1, 0.0)]
    cable.advance(0.1)
    assert cable.tone
    cable.enqueue(CableTask("burst", 2))
    (burst,) = cable.advance(1.0)
    off_s = 0.1
    assert burst.start_s == pytest.approx(off_s + QUIET_S)
    assert [on for _, on in noting_dish.tone] == [True, False, True]
    times_s = [at_s for at_s, _ in noting_dish.tone]
    back_s = off_s + QUIET_S + BURST_S + QUIET_S
    assert times_s == pytest.approx([0.0, off_s, back_s])


def test_tone_stays_while_the_supply_changes(cable, noting_dish):
    cable.enqueue(CableTask("tone", 1, value=1))
    cable.advance(0.1)
    cable.enqueue(CableTask("supply", 2, value=18))
    cable.advance(1.0)
    assert [on for _, on in noting_dish.tone] == [True]
    cable.enqueue(CableTask("tone", 3, value=0))
    cable.advance(2.0)
    assert not cable.tone
    assert [on for _, on in noting_dish.tone] == [True, False]


def test_an_activity_may_wait_for_its_time(cable):
    cable.enqueue(frame(1, not_before_s=0.3))
    assert cable.next_s() == 0.3
    (done,) = cable.advance(1.0)
    assert done.start_s == 0.3


def test_an_awaited_reply_is_passed_on_when_it_has_ended(cable, noting_dish):
    noting_dish.replies[ASK] = REPLY
    cable.enqueue(frame(1, ASK, listen_s=0.15))
    ended_s = 3 * BYTE_S + QUIET_S + 2 * BYTE_S + END_S
    assert cable.advance(ended_s - 1e-6) == []
    assert cable.next_s() == pytest.approx(ended_s)
    assert cable.advance(ended_s + 1e-6) == [Completed(1, 0.0, ASK, REPLY)]
    cable.enqueue(frame(2))
    (after,) = cable.advance(1.0)
    assert after.start_s == pytest.approx(3 * BYTE_S + QUIET_S + 2 * BYTE_S + QUIET_S)


def test_a_wait_without_a_reply_keeps_the_bus_for_its_whole_time(cable):
    cable.enqueue(frame(1, ASK, listen_s=0.15))
    cable.enqueue(frame(2))
    asked, after = cable.advance(1.0)
    assert asked == Completed(1, 0.0, ASK, None)
    assert after.start_s == pytest.approx(3 * BYTE_S + 0.15)


def test_quiet_is_kept_after_a_very_short_wait(cable):
    cable.enqueue(frame(1, ASK, listen_s=0.001))
    cable.enqueue(frame(2))
    _, after = cable.advance(1.0)
    assert after.start_s == pytest.approx(3 * BYTE_S + QUIET_S)


def test_a_reply_that_nobody_awaits_has_no_ticket(cable, noting_dish):
    noting_dish.replies[ASK] = REPLY
    cable.enqueue(frame(1, ASK))
    sent, heard = cable.advance(1.0)
    assert sent == Completed(1, 0.0, ASK)
    assert (heard.ticket, heard.data) == (None, REPLY)
    assert heard.start_s == pytest.approx(3 * BYTE_S + QUIET_S)


def test_what_has_not_begun_is_discarded_and_what_has_is_ended(cable, noting_dish):
    for ticket in (1, 2, 3):
        cable.enqueue(frame(ticket))
    cable.advance(0.01)
    assert cable.discard_pending(0.01) == {2, 3}
    (done,) = cable.advance(1.0)
    assert done.ticket == 1
    assert len(noting_dish.heard) == 1


def test_a_wait_for_a_reply_that_does_not_come_is_ended_by_discarding(cable):
    cable.enqueue(frame(1, ASK, listen_s=0.5))
    cable.advance(0.2)
    assert cable.discard_pending(0.2) == set()
    cable.enqueue(frame(2))
    asked, after = cable.advance(1.0)
    assert (asked.ticket, asked.reply) == (1, None)
    assert after.start_s == pytest.approx(0.2)


def test_quiet_is_kept_after_a_wait_that_was_ended_at_once(cable):
    cable.enqueue(frame(1, ASK, listen_s=0.5))
    at_s = 3 * BYTE_S + 0.001
    cable.advance(at_s)
    cable.discard_pending(at_s)
    cable.enqueue(frame(2))
    _, after = cable.advance(1.0)
    assert after.start_s == pytest.approx(3 * BYTE_S + QUIET_S)


def test_a_reply_under_way_is_not_cut_by_discarding(cable, noting_dish):
    noting_dish.replies[ASK] = REPLY
    cable.enqueue(frame(1, ASK, listen_s=0.15))
    at_s = 3 * BYTE_S + QUIET_S + 0.001
    cable.advance(at_s)
    cable.discard_pending(at_s)
    assert cable.advance(1.0) == [Completed(1, 0.0, ASK, REPLY)]
