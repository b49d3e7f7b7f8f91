"""Captured traffic into the simulated positioner: what each frame did, and when."""

from __future__ import annotations

import pytest

from bridge.bus.event import Event, FrameHeard, Supply, Tone
from sim.replay import Replay, ReplayedFrame
from sim.rig.dish import Dish
from sim.yard_files import load_yard

LARKMERE = load_yard("larkmere")
FRAME_S = 0.054  # s that four bytes of nine slots of 1.5 ms take on the bus


def heard(
    t_s: float | None, text: str, *, bad: bool = False, supply_v: float | None = None
) -> FrameHeard:
    """A frame as it is read from a capture; `bad` spoils its last parity bit."""
    values = tuple(None if word == "??" else int(word, 16) for word in text.split())
    parity = (True,) * (len(values) - 1) + (not bad,)
    duration_s = None if t_s is None else FRAME_S
    return FrameHeard(t_s, values, parity, duration_s=duration_s, supply_v=supply_v)


def replay(*events: Event, dish: Dish | None = None) -> list[ReplayedFrame]:
    return list(Replay(dish or Dish(LARKMERE)).run(events))


def test_a_frame_takes_effect_when_it_ends_not_when_it_begins() -> None:
    dish = Dish(LARKMERE)
    replay(heard(12.0, "E0 31 69 FF"), heard(14.0, "E0 31 69 FF"), dish=dish)
    first, second = dish.journal
    assert second.time_s - first.time_s == pytest.approx(2.0)
    late = Dish(LARKMERE)
    replay(Supply(12.0, 18.0), heard(12.0, "E0 31 60"), dish=late)
    assert late.journal[0].time_s == pytest.approx(FRAME_S)  # the capture begins with the supply


def test_a_step_is_given_when_its_motion_is_over_and_in_the_order_heard() -> None:
    dish = Dish(LARKMERE)
    events = [
        heard(0.0, "E0 31 69 F6"),  # ten counts west
        heard(0.5, "E0 10 38 F0"),  # for a switch, while it still moves
        heard(9.0, "E0 31 60"),
    ]
    given = [(step.hex, step.outcome, dish.time_s) for step in Replay(dish).run(events)]
    assert [step[:2] for step in given] == [
        ("E0 31 69 F6", "moved"),
        ("E0 10 38 F0", "ignored"),
        ("E0 31 60", "set"),
    ]
    assert [at_s for _, _, at_s in given[:2]] == pytest.approx([9.0, 9.0])


def test_what_a_move_did_is_whole_once_it_is_at_rest() -> None:
    """Ten counts west from 500; the dish follows the clamp once its play is taken up."""
    dish = Dish(LARKMERE)
    begun_deg = dish.hour_angle_deg
    (step,) = replay(heard(3.0, "E0 31 69 F6"), dish=dish)
    assert (step.t_s, step.meaning) == (3.0, "Drive west 10 counts (polar positioner).")
    assert (step.outcome, step.count_before, step.count_after) == ("moved", 500, 510)
    assert step.ended_by == "target"
    assert step.hour_angle_deg == dish.hour_angle_deg > begun_deg + 0.3


def test_a_place_stands_with_the_frame_that_found_the_dish_there() -> None:
    dish = Dish(LARKMERE)
    begun_deg = dish.hour_angle_deg
    refused, moved = replay(heard(0.0, "E0 31 6B 05"), heard(1.0, "E0 31 69 E0"), dish=dish)
    assert (refused.outcome, refused.hour_angle_deg) == ("refused", begun_deg)
    assert moved.hour_angle_deg > begun_deg + 1.0


def test_frames_without_times_follow_half_a_second_after_rest() -> None:
    dish = Dish(LARKMERE)
    steps = replay(
        heard(None, "E0 31 69 F6"), heard(None, "E0 31 68 F6"), heard(None, "E0 31 60"), dish=dish
    )
    assert [step.outcome for step in steps] == ["moved", "moved", "set"]
    assert [step.t_s for step in steps] == [None, None, None]
    assert [step.ended_by for step in steps[:2]] == ["target", "target"]  # neither broke off
    assert steps[2].reason == "nothing was moving"


def test_a_drive_without_a_bound_ends_at_the_end_switch() -> None:
    """500 counts to the west switch at 7.56 counts/s take over a minute."""
    dish = Dish(LARKMERE)
    (step,) = replay(heard(None, "E0 31 69 00"), dish=dish)
    assert step.ended_by == "end switch"
    assert 1000 <= step.count_after <= 1003
    assert 60.0 < dish.time_s < 100.0


def test_a_reply_is_no_command_and_a_bad_byte_moves_nothing() -> None:
    dish = Dish(LARKMERE)
    steps = replay(
        heard(0.0, "E4 00"),
        heard(1.0, "E0 31 69 F6", bad=True),
        heard(2.0, "E0 31 ?? F6"),
        dish=dish,
    )
    assert [(step.hex, step.outcome, step.reason) for step in steps] == [
        ("E0 31 69 F6", "ignored", "parity error"),
        ("E0 31 ?? F6", "ignored", "a byte was lost"),
    ]
    assert [(step.count_before, step.count_after) for step in steps] == [(500, 500)] * 2
    assert not dish.journal
    assert dish.pulses == 0


def test_a_frame_lost_in_the_sag_of_a_bad_cable_says_so() -> None:
    """At 8 ohm a frame in two or three is lost while the motor runs, and none at rest."""
    dish = Dish(LARKMERE, faults=["cable-drop"], seed=1)
    queries = [heard(1.0 + 0.2 * n, "E2 31 64") for n in range(40)]
    first, *steps = replay(heard(0.0, "E0 31 69 00"), *queries, heard(9.4, "E0 31 60"), dish=dish)
    assert first.outcome == "moved"
    lost = [step for step in steps if step.outcome == "ignored"]
    assert 5 < len(lost) < 30
    assert {step.reason for step in lost} == {"not received: the supply sags while the motor runs"}
    assert all(500 < step.count_before == step.count_after for step in lost)
    answered = [step for step in steps if step.outcome == "answered"]
    assert {step.reply_hex for step in answered} == {"E4 30"}  # west, motor running
    assert {step.reply_hex for step in lost} == {None}


@pytest.mark.parametrize(
    ("volts", "bus_v", "horizontal"),
    [
        (0.0, 0, None),
        (4.9, 0, None),
        (5.0, 13, False),
        (13.4, 13, False),
        (15.0, 13, False),
        (15.1, 18, True),
        (18.6, 18, True),
    ],
)
def test_the_supply_of_the_capture_selects_the_polarization(
    volts: float, bus_v: int, horizontal: bool | None
) -> None:
    """Over 15 V horizontal, under it vertical (common practice); under 5 V there is none."""
    for events in (
        [Supply(0.0, volts), heard(1.0, "E0 31 60")],
        [heard(1.0, "E0 31 60", supply_v=volts)],
    ):
        dish = Dish(LARKMERE)
        (step,) = replay(*events, dish=dish)
        assert (dish.positioner.bus_v, step.horizontal) == (bus_v, horizontal)


def test_a_polarization_nobody_measured_is_unknown() -> None:
    (step,) = replay(heard(0.0, "E0 31 60"))
    assert step.horizontal is None


def test_tone_moves_nothing_but_time() -> None:
    dish = Dish(LARKMERE)
    (step,) = replay(Tone(2.0, True), heard(5.0, "E0 31 60"), dish=dish)
    assert dish.journal[0].time_s == pytest.approx(3.0 + FRAME_S)
    assert step.count_after == 500


def test_times_that_run_back_do_not_turn_the_clock_back() -> None:
    dish = Dish(LARKMERE)
    replay(heard(5.0, "E0 31 60"), heard(2.0, "E0 31 60"), dish=dish)
    first, second = dish.journal
    assert second.time_s == first.time_s


def test_json_rounds_times_to_a_microsecond_and_angles_to_a_thousandth() -> None:
    (step,) = replay(heard(1.23456789, "E2 31 64"))
    given = step.to_json()
    assert given == {
        "t_s": 1.234568,
        "hex": "E2 31 64",
        "meaning": step.meaning,
        "outcome": "answered",
        "reason": "",
        "count_before": 500,
        "count_after": 500,
        "hour_angle_deg": round(step.hour_angle_deg, 3),
        "ended_by": None,
        "reply_hex": "E4 A0",
        "horizontal": None,
    }
    (untimed,) = replay(heard(None, "E0 31 60"))
    assert untimed.to_json()["t_s"] is None
