"""Presses that are too old, and a key that is held down (times of one key, in s)."""

from __future__ import annotations

import pytest

from bridge.helm.stale_key import (
    ANSWER_STALE_S,
    JOG_STALE_S,
    Due,
    HeldKey,
    Press,
    judge_press,
)


@pytest.mark.parametrize(
    ("pressed_s", "now_s", "halted_s", "press"),
    [
        (10.0, 10.0, 5.0, Press.FRESH),
        (10.0, 10.25, 5.0, Press.FRESH),
        (10.0, 10.251, 5.0, Press.STALE),
        (10.0, 10.1, 10.0, Press.VOID),  # the halt has the last word
        (10.0, 10.1, 9.999, Press.FRESH),
        (10.0, 20.0, 10.5, Press.VOID),
    ],
)
def test_a_press_may_act_while_it_is_young_and_after_the_last_halt(
    pressed_s: float, now_s: float, halted_s: float, press: Press
) -> None:
    assert judge_press(pressed_s, now_s=now_s, halted_s=halted_s) is press


def test_an_answer_may_be_older_than_a_jog() -> None:
    assert judge_press(10.0, now_s=11.0, halted_s=0.0, stale_s=ANSWER_STALE_S) is Press.FRESH
    assert judge_press(10.0, now_s=11.01, halted_s=0.0, stale_s=ANSWER_STALE_S) is Press.STALE
    assert JOG_STALE_S < ANSWER_STALE_S


def played(presses_s: list[float], until_s: float) -> list[tuple[float, str]]:
    """What a key pressed at these times asks for, looked at each 1/64 s."""
    key = HeldKey("west", presses_s[0])
    waiting = presses_s[1:]
    asked: list[tuple[float, str]] = []
    now_s = presses_s[0]
    while now_s <= until_s:
        while waiting and waiting[0] <= now_s:
            key.press(waiting.pop(0))
        due = key.due(now_s)
        if due is Due.PIECE:
            key.granted_s = now_s
        if due is not None:
            asked.append((now_s, due.name))
        if due in (Due.HALT, Due.FORGET):
            break
        now_s += 1 / 64
    return asked


def test_one_touch_is_one_piece_and_a_halt_when_no_repeat_comes() -> None:
    assert played([0.0], 3.0) == [(0.0, "PIECE"), (0.765625, "HALT")]  # past 0.75 s


def test_pieces_are_renewed_while_repeats_come_and_cut_short_when_they_stay_away() -> None:
    presses_s = [0.0, *(0.5 + n / 32 for n in range(33))]  # repeats until 1.5 s
    assert played(presses_s, 3.0) == [
        (0.0, "PIECE"),
        (0.609375, "PIECE"),  # 0.6 s after the one before
        (1.21875, "PIECE"),
        (1.8125, "HALT"),  # 0.3 s after the last repeat
    ]


def test_a_piece_is_not_renewed_on_one_press_alone() -> None:
    key = HeldKey("west", 10.0, granted_s=10.0)
    assert key.due(10.7) is None
    key.press(10.7)
    assert key.due(10.7) is Due.PIECE


@pytest.mark.parametrize(("now_s", "due"), [(0.59, None), (0.6, Due.PIECE)])
def test_a_piece_is_renewed_before_it_ends(now_s: float, due: Due | None) -> None:
    assert HeldKey("west", 0.5, repeated=True, granted_s=0.0).due(now_s) is due


@pytest.mark.parametrize(("waited_s", "due"), [(0.75, Due.PIECE), (0.76, Due.FORGET)])
def test_a_key_that_moved_nothing_is_forgotten(waited_s: float, due: Due) -> None:
    assert HeldKey("west", 10.0).due(10.0 + waited_s) is due


@pytest.mark.parametrize(("waited_s", "due"), [(0.25, None), (0.3125, Due.HALT)])
def test_a_gap_in_the_repeats_is_a_release(waited_s: float, due: Due | None) -> None:
    key = HeldKey("west", 10.0, repeated=True, granted_s=10.0)
    assert key.due(10.0 + waited_s) is due
