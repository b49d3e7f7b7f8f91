"""How a move ended: coast leaves 1-3 counts and backlash 1-4 (common practice)."""

from __future__ import annotations

import pytest

from bridge.bus.command import Drive, Goto, GotoAngle, Halt, Store
from bridge.helm.outcome import Outcome, judge_rest
from bridge.helm.snapshot import Activity, PositionRow
from bridge.log.record import Kind, LogEvent, Record

LIST = (PositionRow(7, "Gorse", 14.3, 480), PositionRow(9, "Ivy", 7.4))
DRIVING, COASTING, AT_REST = Activity.DRIVING, Activity.COASTING, Activity.AT_REST


@pytest.mark.parametrize(
    ("count", "expected", "halted", "event"),
    [
        (480, 480, False, LogEvent.REACHED),
        (484, 480, False, LogEvent.REACHED),
        (476, 480, False, LogEvent.REACHED),
        (485, 480, False, LogEvent.OFF),
        (475, 480, False, LogEvent.OFF),
        (0, 0, False, LogEvent.REACHED),
        (None, 480, False, LogEvent.UNPROVED),
        (480, None, False, LogEvent.UNPROVED),
        (480, 480, True, LogEvent.HALTED),
        (None, None, True, LogEvent.HALTED),
    ],
)
def test_a_rest_is_judged_by_its_count(
    count: int | None, expected: int | None, halted: bool, event: LogEvent
) -> None:
    assert judge_rest(count, expected, halted=halted) is event


def test_an_arrival_is_reported_once_after_it_moved_and_rests() -> None:
    outcome = Outcome()
    outcome.sent(Goto(7), LIST)
    assert outcome.see(AT_REST, 500) is None  # not moving yet
    assert outcome.see(DRIVING, 490) is None
    assert outcome.see(COASTING, 481) is None
    assert outcome.see(AT_REST, 480) == Record(
        Kind.REST, LogEvent.REACHED, position=7, expected=480
    )
    assert outcome.see(AT_REST, 480) is None


@pytest.mark.parametrize(
    ("command", "record"),
    [
        (Goto(9), Record(Kind.REST, LogEvent.UNPROVED, position=9)),  # in the list, not stored
        (Goto(30), Record(Kind.REST, LogEvent.UNPROVED, position=30)),
        (Goto(0), Record(Kind.REST, LogEvent.UNPROVED, position=0)),
        (GotoAngle("west", 10.5), Record(Kind.REST, LogEvent.UNPROVED, detail="10.5 deg west")),
    ],
)
def test_a_place_without_a_count_proves_nothing(command: Goto | GotoAngle, record: Record) -> None:
    outcome = Outcome()
    outcome.sent(command, LIST)
    outcome.see(DRIVING, 490)
    assert outcome.see(AT_REST, 480) == record


@pytest.mark.parametrize("how", ["by a key", "by a frame"])
def test_where_a_halted_move_rests_is_reported_as_halted(how: str) -> None:
    outcome = Outcome()
    outcome.sent(Goto(7), LIST)
    outcome.see(DRIVING, 490)
    if how == "by a key":
        outcome.halt()
    else:
        outcome.sent(Halt(), LIST)
    assert outcome.see(AT_REST, 488) == Record(Kind.REST, LogEvent.HALTED, position=7, expected=480)
    outcome.sent(Goto(7), LIST)  # a halt ends with its move
    outcome.see(DRIVING, 485)
    record = outcome.see(AT_REST, 480)
    assert record is not None
    assert record.event is LogEvent.REACHED


def test_a_new_move_has_to_move_before_it_ends() -> None:
    outcome = Outcome()
    outcome.sent(Goto(7), LIST)
    outcome.see(DRIVING, 490)
    outcome.sent(Goto(9), LIST)
    assert outcome.see(AT_REST, 489) is None


def test_a_drive_has_no_place_to_end_at_and_a_store_changes_nothing() -> None:
    outcome = Outcome()
    outcome.sent(Goto(7), LIST)
    outcome.sent(Store(3), LIST)
    outcome.see(DRIVING, 481)
    record = outcome.see(AT_REST, 480)
    assert record is not None
    assert record.position == 7
    outcome.sent(Goto(7), LIST)
    outcome.sent(Drive("west", counts=5), LIST)
    outcome.see(DRIVING, 481)
    assert outcome.see(AT_REST, 485) is None
    outcome.sent(None, LIST)
    assert outcome.see(AT_REST, 485) is None
