"""The host's side of the talk, by given times and bytes: no port, no clock."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BadInput
from bridge.link.dialogue import (
    ATTEMPTS,
    LONGEST_WAIT_S,
    RETRY_S,
    Answered,
    Booted,
    Damaged,
    Dialogue,
    Heard,
    Keyed,
    Stopped,
    Tripped,
    Unanswered,
)
from bridge.link.packet import Packet


def line(number: int | None, *words: str) -> bytes:
    return Packet(number, words[0], tuple(words[1:])).line()


def test_numbers_go_up_by_one_and_come_round():
    dialogue = Dialogue(first=9999)
    assert dialogue.ask(0.0, "keep").startswith(b"9999 keep ")
    dialogue.receive(line(9999, "ok"), 0.0)
    assert dialogue.ask(0.0, "keep").startswith(b"0 keep ")


def test_one_request_at_a_time():
    dialogue = Dialogue()
    dialogue.ask(0.0, "keep")
    with pytest.raises(BadInput, match="under way"):
        dialogue.ask(0.0, "status")


def test_it_goes_out_again_unchanged_until_attempts_run_out():
    dialogue = Dialogue()
    first = dialogue.ask(0.0, "send", "E03160", "0", patience_s=0.1)
    now_s, sent = 0.0, 1
    while True:
        assert dialogue.due_s == pytest.approx(now_s + RETRY_S + 0.1)
        assert dialogue.tick(dialogue.due_s - 0.001) == (b"", [])
        now_s = dialogue.due_s
        again, happenings = dialogue.tick(now_s)
        if happenings:
            break
        assert again == b"\n" + first
        sent += 1
    assert sent == ATTEMPTS
    assert happenings == [Unanswered(0, "send", ATTEMPTS)]
    assert dialogue.due_s is None


def test_a_late_answer_to_what_was_given_up_is_not_taken_for_the_next():
    dialogue = Dialogue(attempts=1)
    dialogue.ask(0.0, "send", "E03160", "0")
    dialogue.tick(1.0)
    dialogue.ask(1.0, "keep")
    assert dialogue.receive(line(0, "ok", "0.5"), 1.1) == []
    assert dialogue.receive(line(1, "ok"), 1.2) == [Answered(1, "keep", True, (), 1)]


def test_wait_keeps_a_request_open_but_not_for_ever():
    dialogue = Dialogue(attempts=2)
    dialogue.ask(0.0, "send", "E03160", "0")
    now_s = 0.0
    while now_s < 2 * LONGEST_WAIT_S:
        now_s = dialogue.due_s
        _, happenings = dialogue.tick(now_s)
        if happenings:
            break
        assert dialogue.receive(line(0, "wait"), now_s) == []
    assert LONGEST_WAIT_S <= now_s < LONGEST_WAIT_S + 2.0


def test_a_cancelled_request_goes_out_no_more_but_may_be_answered():
    dialogue = Dialogue()
    dialogue.ask(0.0, "send", "E03160", "0")
    dialogue.receive(b"noise\n", 0.01)
    dialogue.cancel_retries()
    assert dialogue.tick(0.02) == (b"", [])
    assert dialogue.receive(line(0, "ok", "0.0"), 0.05) == [Answered(0, "send", True, ("0.0",), 1)]
    dialogue.ask(1.0, "send", "E03160", "0")
    dialogue.cancel_retries()
    assert dialogue.tick(5.0) == (b"", [Unanswered(1, "send", 1)])


def test_damage_makes_it_go_out_early_once_an_attempt():
    dialogue = Dialogue()
    dialogue.ask(0.0, "keep")
    assert dialogue.receive(line(None, "damaged"), 0.01) == [Damaged(far=True)]
    again, _ = dialogue.tick(0.01)
    assert again
    dialogue.receive(line(None, "damaged"), 0.02)
    assert dialogue.tick(0.03) == (b"", [])
    dialogue.tick(0.01 + RETRY_S)
    assert dialogue.receive(b"\xff\n", 0.2) == [Damaged(far=False)]
    assert dialogue.tick(0.2)[0]


EVENTS = [
    (("booted", "3"), Booted(3)),
    (("tripped", "1.5000", "2"), Tripped(1.5, 2)),
    (("stopped", "1.5000"), Stopped(1.5)),
    (("heard", "2.2500", "E480"), Heard(2.25, b"\xe4\x80")),
    (("keyed", "2.2500", "E03160"), Keyed(2.25, b"\xe0\x31\x60")),
    (("damaged",), Damaged(far=True)),
]


@given(st.lists(st.sampled_from(EVENTS), max_size=6), st.lists(st.integers(1, 9), max_size=80))
def test_events_come_out_whole_in_any_chunks(told, sizes):
    stream = b"".join(line(None, *words) for words, _ in told) + b"12 tail"
    dialogue, seen, at = Dialogue(), [], 0
    for size in [*sizes, len(stream)]:
        seen += dialogue.receive(stream[at : at + size], 0.0)
        at += size
    assert seen == [event for _, event in told]


@given(st.binary(max_size=400), st.integers(1, 50))
def test_no_bytes_whatever_make_it_raise_or_answer(data, size):
    dialogue = Dialogue(first=5)
    dialogue.ask(0.0, "keep")
    for at in range(0, len(data), size):
        for happening in dialogue.receive(data[at : at + size], 0.0):
            assert isinstance(happening, Damaged)


@pytest.mark.parametrize(
    "words",
    [("booted", "x"), ("heard", "1.0", "E03"), ("tripped", "1.0"), ("keyed",), ("new", "1")],
)
def test_an_event_that_makes_no_sense_is_passed_over(words):
    assert Dialogue().receive(line(None, *words), 0.0) == []


def test_the_hosts_own_lines_echoed_are_no_answers():
    dialogue = Dialogue()
    echoed = dialogue.ask(0.0, "keep")
    assert dialogue.receive(echoed, 0.0) == []
    assert dialogue.due_s == RETRY_S
