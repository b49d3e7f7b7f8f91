"""Beliefs, readings and the state of a snapshot, as values."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.bus.command import Command, Goto, Limits, SetLimit, Store
from bridge.helm.belief import believe
from bridge.helm.readings import History, with_readings
from bridge.helm.snapshot import Activity, PositionRow, Snapshot
from bridge.link.status import Status

GORSE = PositionRow(7, "Gorse", 14.3, 470, 480)
NOW = Snapshot(True, "x", count=500, limits_on=False, positions=(GORSE,))
STATUS = Status(3, 501, "west", 36.0, 1.4, 9.5, 18, True, 1.0, 0, 5.0)


@pytest.mark.parametrize(
    ("command", "believed"),
    [
        (SetLimit("east"), replace(NOW, limit_east=500, limits_on=True)),
        (SetLimit("west"), replace(NOW, limit_west=500, limits_on=True)),
        (Limits(True), replace(NOW, limits_on=True)),
        (Limits(False), NOW),
        (
            Store(7),
            replace(NOW, limits_on=True, positions=(PositionRow(7, "Gorse", 14.3, 500, 480),)),
        ),
        (
            Store(3),
            replace(
                NOW, limits_on=True, positions=(PositionRow(3, "position 3", None, 500), GORSE)
            ),
        ),
        (Goto(7), NOW),
        (None, NOW),
    ],
)
def test_a_sent_command_is_believed(command: Command | None, believed: Snapshot) -> None:
    assert believe(command, NOW) == believed


def test_a_look_shows_what_was_measured() -> None:
    assert with_readings(NOW, STATUS) == replace(
        NOW,
        count=501,
        moving="west",
        motor_v=36.0,
        motor_a=1.4,
        signal_db=9.5,
        supply_v=18,
        tone=True,
        best_db=9.5,
        best_count=501,
    )


@pytest.mark.parametrize(
    ("signal_db", "best"), [(9.6, (9.6, 501)), (9.5, (9.5, 490)), (9.4, (9.5, 490))]
)
def test_the_best_signal_stays_with_the_count_where_it_was_first_seen(
    signal_db: float, best: tuple[float, int]
) -> None:
    before = replace(NOW, best_db=9.5, best_count=490)
    now = with_readings(before, replace(STATUS, signal_db=signal_db))
    assert (now.best_db, now.best_count) == best


def test_no_signal_is_no_best() -> None:
    now = with_readings(NOW, replace(STATUS, signal_db=None))
    assert (now.signal_db, now.best_db, now.best_count) == (None, None, None)


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({}, "opening the port"),
        ({"activity": Activity.AT_REST}, "at rest"),
        ({"activity": Activity.COASTING, "bound": "10 counts"}, "coasting to rest"),
        ({"activity": Activity.DRIVING, "moving": "west"}, "driving west"),
        (
            {"activity": Activity.DRIVING, "moving": "east", "bound": "at most 1 s"},
            "driving east, at most 1 s",
        ),
        ({"activity": Activity.DRIVING}, "driving"),
    ],
)
def test_the_state_in_words(changes: dict[str, object], state: str) -> None:
    assert replace(NOW, **changes).state == state  # type: ignore[arg-type]


def test_the_history_holds_a_minute_of_points_a_tenth_apart() -> None:
    history = History()
    for n in range(5000):
        history.add(n / 32, float(n), None)
    points = history.points()
    assert len(points) == 600
    assert points[-1] == (4996 / 32, 4996.0, None)
    assert {after[0] - before[0] for before, after in pairwise(points)} == {4 / 32}
    points.clear()
    assert len(history.points()) == 600


def test_points_of_the_history_are_a_tenth_of_a_second_apart() -> None:
    history = History()
    for t_s in (0.0, 0.09, 0.1, 0.15):
        history.add(t_s, None, None)
    assert [t_s for t_s, _, _ in history.points()] == [0.0, 0.1]


def test_before_the_first_look_nothing_is_known() -> None:
    now = Snapshot(True, "x")
    assert (now.link, now.selected, now.acknowledged, now.tone) == ("opening", 1, False, False)
    assert (now.supply_v, now.error, now.confirm, now.positions) == (0, "", "", ())
    known = (now.count, now.moving, now.limits_on, now.limit_east, now.best_db, now.east_end)
    assert known == (None,) * 6
