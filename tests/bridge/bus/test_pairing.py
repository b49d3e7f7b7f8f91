"""Replies with their commands, repeats with their first transmissions.

A reply begins within 150 ms, a repeat comes after about 100 ms (Bus Functional Specification,
from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest

from bridge.bus.event import Event, Fault, FrameHeard, Noise, Supply
from bridge.bus.pairing import Pairing, pair
from bus_events import BYTE_S, heard, length_s

STATUS, HALT = "E2 31 64", "E0 31 60"
END_S = 1.0 + length_s(STATUS)  # s, end of a question at 1.0 s
MISSING = Fault("reply_missing", "a reply was wanted and none was heard")
UNWANTED = Fault("reply_code", "a reply to a command that asks for none")


def paired(*events: Event) -> list[Event]:
    return list(pair(events))


def frames(events: Iterable[Event]) -> list[FrameHeard]:
    return [event for event in events if isinstance(event, FrameHeard)]


def test_a_reply_gets_its_command():
    question, reply = heard(STATUS, 1.0), heard("E4 80", END_S + 0.02)
    assert paired(question, reply) == [question, replace(reply, asked=question.frame, of_t_s=1.0)]
    without = [heard(STATUS), heard("E4 80")]
    assert paired(*without) == [without[0], replace(without[1], asked=question.frame)]


@pytest.mark.parametrize(("late_s", "late"), [(0.1509, False), (0.1511, True), (0.999, True)])
def test_a_reply_later_than_150_ms(late_s, late):
    question, reply = heard(STATUS, 1.0), heard("E4", END_S + late_s)
    _, answer = frames(paired(question, reply))
    detail = f"{late_s * 1e3:.0f} ms after its command, 150 ms allowed"
    assert answer.faults == ((Fault("reply_late", detail),) if late else ())
    assert answer.asked == question.frame


def test_a_reply_more_than_a_second_after_is_none():
    question, reply = heard(STATUS, 1.0), heard("E4", END_S + 1.001)
    assert paired(question, reply) == [replace(question, faults=(MISSING,)), reply]


def test_without_a_duration_a_command_takes_the_time_of_its_bytes():
    question = heard(STATUS, 1.0, duration_s=None)
    _, soon = frames(paired(question, heard("E4", 1.0 + 3 * BYTE_S + 0.1509)))
    _, late = frames(paired(question, heard("E4", 1.0 + 3 * BYTE_S + 0.1511)))
    assert (soon.faults, [fault.code for fault in late.faults]) == ((), ["reply_late"])


@pytest.mark.parametrize("after", [[], [heard(HALT, 1.3)], [heard(STATUS, 5.0)]])
def test_a_missing_reply_is_a_fault_of_the_command(after):
    first = heard(STATUS, 1.0, faults=(Fault("parity", "byte 1"),))
    found = paired(first, *after)
    assert found[0] == replace(first, faults=(*first.faults, MISSING))
    assert len(found) == 1 + len(after)


def test_what_comes_between_stays_in_its_place():
    between = [Supply(1.1, 18.0), heard("E4", 1.12), Noise(1.2, 0.1, "what")]
    lost = replace(heard("E4 80", 1.15), byte_values=(0xE4, None))
    question = heard(STATUS, 1.0)
    found = paired(question, between[0], lost, between[1], between[2])
    assert [type(event) for event in found] == [FrameHeard, Supply, FrameHeard, FrameHeard, Noise]
    assert found[2] == lost
    unanswered = paired(question, between[0], lost, heard(HALT, 1.5))
    assert unanswered == [
        replace(question, faults=(MISSING,)), between[0], lost, heard(HALT, 1.5),
    ]  # fmt: skip


def test_a_reply_to_a_command_that_wants_none():
    end_s = 1.0 + length_s(HALT)
    _, soon = frames(paired(heard(HALT, 1.0), heard("E4", end_s + 0.149)))
    _, later = frames(paired(heard(HALT, 1.0), heard("E4", end_s + 0.151)))
    assert (soon.faults, later.faults) == ((UNWANTED,), ())
    assert soon.asked is None
    _, timeless = frames(paired(heard(HALT), heard("E4")))
    assert timeless.faults == ()
    assert paired(heard("E4", 1.0)) == [heard("E4", 1.0)]


def test_a_second_reply_is_one_too_many():
    found = frames(paired(heard(STATUS, 1.0), heard("E4", END_S + 0.02), heard("E4", END_S + 0.1)))
    assert [event.faults for event in found] == [(), (), (UNWANTED,)]


# ---- repeats ----------------------------------------------------------------------------------


def test_a_repeat_gets_the_time_of_its_first_transmission():
    first, repeat = heard(HALT, 1.0), heard("E1 31 60", 1.15)
    third = heard("E1 31 60", 1.3)
    assert [event.of_t_s for event in frames(paired(first, repeat, third))] == [None, 1.0, 1.0]


def test_a_question_that_is_repeated_is_answered_once():
    first, repeat = heard(STATUS, 1.0), heard("E3 31 64", 1.15)
    reply = heard("E4 80", 1.15 + length_s(STATUS) + 0.02)
    found = frames(paired(first, repeat, reply))
    assert [event.faults for event in found] == [(MISSING,), (), ()]
    assert [event.of_t_s for event in found] == [None, 1.0, 1.15]


@pytest.mark.parametrize(
    "other",
    [
        heard("E1 31 63", 1.15),  # other bytes
        heard("E0 31 60", 1.15),  # the code of a first transmission
        heard("E1 31 60", 1.0 + length_s(HALT) + 1.001),  # long after
        heard("E1 31 60"),  # without a time
    ],
)
def test_what_is_no_repeat(other):
    assert frames(paired(heard(HALT, 1.0), other))[1].of_t_s is None
    assert frames(paired(other))[0].of_t_s is None


# ---- while events are still to come -----------------------------------------------------------


def test_a_command_is_held_until_its_reply_cannot_come_any_more():
    pairing, question = Pairing(), heard(STATUS, 1.0)
    assert list(pairing.see(question)) == []
    assert list(pairing.advance(END_S + 0.999)) == []
    assert list(pairing.advance(END_S + 1.001)) == [replace(question, faults=(MISSING,))]
    assert list(pairing.end()) == []


def test_an_event_long_after_gives_the_command_free():
    pairing, question = Pairing(), heard(STATUS, 1.0)
    soon, late = Supply(1.5, 13.0), Supply(9.0, 18.0)
    assert [*pairing.see(question), *pairing.see(soon)] == []
    assert list(pairing.see(late)) == [replace(question, faults=(MISSING,)), soon, late]
    assert list(pairing.see(heard(HALT, 9.5))) == [heard(HALT, 9.5)]
