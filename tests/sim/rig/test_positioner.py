"""The positioner on the bus, frame by frame.

Meanings of commands and of the status byte: EUTELSAT, Positioner Application Note 1.0 and Bus
Functional Specification 4.2 (from memory); manners of single devices: common practice.
"""

from __future__ import annotations

from typing import Any

import pytest

from sim.rig.dish import Dish
from sim.rig.positioner_memory import Entry, Memory
from sim.rig.positioner_motion import DriveSettings, Move, Travel
from sim.yard import PositionerTable, Yard
from sim.yard_files import load_yard

LARKMERE = load_yard("larkmere")


def dish_with(**settings: Any) -> Dish:
    table = PositionerTable.model_validate(LARKMERE.positioner.model_dump() | settings)
    yard: Yard = LARKMERE.model_copy(update={"positioner": table})
    return Dish(yard)


def send(dish: Dish, frame: str, wait_s: float = 0.1) -> tuple[str | None, Entry]:
    reply = dish.hear(bytes.fromhex(frame))
    entry = dish.journal[-1]
    dish.advance(dish.time_s + wait_s)
    return (None if reply is None else reply.hex(" ").upper()), entry


def count(dish: Dish) -> int:
    return dish.positioner.memory.count


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        ("E03268FF", "for elevation positioner"),
        ("E01038F0", "for any LNB, switcher or SMATV"),
        ("E031", "cut short"),
        ("E480", "a reply, not a command"),
        ("70316800", "framing 70 is none of the standard's"),
        ("E0312A", "a positioner has nothing to do"),
        ("E03190", "no command of the standard"),
        ("E03168", "needs 1 byte of data"),
        ("E0316E0160", "neither E (east) nor D (west)"),
        ("E0316EE160", "not set up for angles"),
        ("E0316F01", "its meaning is not certain"),
        ("E0316D0100", "its meaning is not certain"),
    ],
)
def test_what_is_not_for_it_is_left_alone(frame: str, reason: str) -> None:
    dish = Dish(LARKMERE)
    before = dish.dump()
    _, entry = send(dish, frame, 10.0)
    assert entry.outcome == "ignored"
    assert reason in entry.reason
    assert dish.dump() == before


@pytest.mark.parametrize("address", ["00", "30", "31"])
def test_its_addresses(address: str) -> None:
    dish = Dish(LARKMERE)
    send(dish, f"E0{address}6805", 8.0)
    assert count(dish) < 470


@pytest.mark.parametrize(
    ("frame", "reply"),
    [
        ("E23164", "E4 00"),  # nothing moved yet: not completed? see below
        ("E03164", None),
        ("E23160", "E4"),
        ("E23111", "E4 38"),
        ("E23110", "E4 00"),
        ("E23138F0", "E5"),
        ("E23190", "E7"),
        ("E23168", "E7"),
        ("E21038F0", None),
    ],
)
def test_replies_only_where_wanted(frame: str, reply: str | None) -> None:
    dish = Dish(LARKMERE)
    if frame == "E23164":
        reply = "E4 A0"  # movement completed, last direction west
    assert send(dish, frame)[0] == reply


def test_one_way_positioner_never_replies() -> None:
    assert send(dish_with(two_way=False), "E23164")[0] is None


@pytest.mark.parametrize(("steps", "code"), [(1, "FF"), (2, "FE"), (5, "FB"), (20, "EC")])
@pytest.mark.parametrize(("side", "byte"), [(-1, "68"), (1, "69")])
def test_steps(steps: int, code: str, side: int, byte: str) -> None:
    """FF is one step, FE two, and so on."""
    dish = Dish(LARKMERE)
    _, entry = send(dish, f"E031{byte}{code}", 12.0)
    assert abs(count(dish) - (500 + side * steps)) <= 1  # a coast may carry it one on
    assert (count(dish) - 500) * side >= steps
    assert entry.ended_by == "target"
    assert entry.count_after == count(dish)


@pytest.mark.parametrize(("counts", "state"), [(1, "nudge"), (2, "nudge"), (3, "drive")])
def test_a_way_no_longer_than_the_coast_is_nudged(counts: int, state: str) -> None:
    """A full drive cut at once coasts 2 counts: so short a way takes short pushes instead."""
    dish = dish_with(coast_counts=2)
    _, entry = send(dish, f"E03169{256 - counts:02X}", 0.01)
    assert dish.positioner.travel.state == state
    dish.advance(20.0)
    assert entry.count_after - entry.count_before == counts
    assert dish.machine.drive == 0


def test_seconds_are_a_time_out() -> None:
    dish = Dish(LARKMERE)
    _, entry = send(dish, "E0316904", 3.9)
    assert dish.readings().moving == "west"
    dish.advance(4.1)
    assert dish.readings().moving is None
    dish.advance(8.0)
    assert entry.ended_by == "time-out"


def test_no_data_drives_until_halt() -> None:
    dish = Dish(LARKMERE)
    _, entry = send(dish, "E0316900", 30.0)
    assert dish.readings().moving == "west"
    send(dish, "E0316000", 2.0)  # a trailing 00 does no harm
    assert dish.readings().moving is None
    assert entry.ended_by == "halt"


def test_next_command_ends_the_one_before_and_waits_before_reversing() -> None:
    dish = Dish(LARKMERE)
    _, west = send(dish, "E0316900", 5.0)
    begun = dish.time_s
    send(dish, "E0316802", 0.0)
    assert west.ended_by == "next command"
    assert dish.readings().moving is None
    while dish.readings().moving is None:
        dish.advance(dish.time_s + 0.01)
    assert dish.time_s - begun >= 0.6
    dish.advance(dish.time_s + 5.0)
    assert dish.count_error == 0


def test_limits_at_the_place_and_on_and_off() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E03166")
    _, entry = send(dish, "E0316800", 5.0)
    assert (entry.outcome, entry.reason) == ("refused", "at the east limit 500")
    assert count(dish) == 500
    assert send(dish, "E23164")[0] == "E4 E8"  # completed, limits on, west, limit reached
    send(dish, "E03163")
    send(dish, "E0316803", 8.0)
    off = count(dish)
    assert off < 490
    send(dish, "E0316A00")  # on again
    _, entry = send(dish, "E0316800", 5.0)
    assert entry.outcome == "refused"
    assert count(dish) == off


def test_a_limit_on_the_wrong_side_of_the_other_is_refused() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E03166")
    _, entry = send(dish, "E03167")
    assert (entry.outcome, entry.reason) == ("refused", "500 is not west of the east limit 500")
    assert (dish.positioner.memory.east, dish.positioner.memory.west) == (500, None)
    other = Dish(LARKMERE)
    send(other, "E03167")
    _, entry = send(other, "E03166")
    assert (entry.outcome, entry.reason) == ("refused", "500 is not east of the west limit 500")
    assert (other.positioner.memory.east, other.positioner.memory.west) == (None, 500)
    send(other, "E03169FF")
    send(other, "E0316804", 8.0)
    _, entry = send(other, "E03166")
    assert (entry.outcome, other.positioner.memory.limits_on) == ("set", True)
    assert other.positioner.memory.east == count(other) < 480


@pytest.mark.parametrize("frame", ["E0316900", "E031697F", "E0316980"])
def test_a_drive_stops_at_the_soft_limit(frame: str) -> None:
    dish = Dish(LARKMERE)
    dish.positioner.memory.west, dish.positioner.memory.limits_on = 560, True
    _, entry = send(dish, frame, 60.0)
    assert entry.ended_by == "soft limit"
    assert 560 <= count(dish) <= 561
    assert send(dish, "E23164")[0] == "E4 68"


def test_store_and_goto() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E0316805", 8.0)
    _, stored = send(dish, "E0316A07")
    assert stored.outcome == "stored"
    place = count(dish)
    assert dish.positioner.memory.limits_on
    send(dish, "E0316914", 25.0)
    _, entry = send(dish, "E0316B07", 40.0)
    assert (entry.outcome, entry.reason, entry.ended_by) == ("moved", "", "target")
    assert count(dish) == place
    assert send(dish, "E23164")[0] == "E4 C0"
    _, entry = send(dish, "E0316B08")
    assert (entry.outcome, entry.reason) == ("refused", "position 8 is not taught")
    _, entry = send(dish, "E0316A64")
    assert (entry.outcome, entry.reason) == ("refused", "position 100 is past the 99 that it holds")


def test_goto_beyond_a_limit_is_refused() -> None:
    dish = Dish(LARKMERE)
    dish.positioner.memory.positions[3] = 900
    dish.positioner.memory.west, dish.positioner.memory.limits_on = 800, True
    _, entry = send(dish, "E0316B03", 5.0)
    assert (entry.outcome, entry.reason) == (
        "refused",
        "position 3 at 900 is beyond the west limit 800",
    )
    assert count(dish) == 500


def test_goto_reference() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E0316B00", 40.0)
    assert count(dish) == 609


@pytest.mark.parametrize(("approach", "position"), [("east", 480), ("west", 480), ("west", 560)])
def test_arrival_from_one_side(approach: str, position: int) -> None:
    dish = dish_with(approach=approach)
    dish.positioner.memory.positions[1] = position
    _, entry = send(dish, "E0316B01", 60.0)
    assert entry.ended_by == "target"
    assert count(dish) == position
    assert dish.positioner.travel.polarity == (1 if approach == "west" else -1)


def test_a_repeat_of_what_was_heard_moves_once() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E03169FF", 0.1)
    _, entry = send(dish, "E13169FF", 3.0)
    assert (entry.outcome, entry.reason) == ("ignored", "the first transmission was heard")
    assert count(dish) == 501
    send(dish, "E13169FF", 3.0)  # a repeat whose first was not heard
    assert count(dish) == 502
    twice = dish_with(manners=["repeats act again"])
    send(twice, "E03169FF", 1.5)
    send(twice, "E13169FF", 3.0)
    assert count(twice) == 502


def test_manners_seen_in_the_field() -> None:
    seconds = dish_with(manners=["steps taken as seconds"])
    send(seconds, "E03169FD", 6.0)
    assert count(seconds) > 515
    deaf = dish_with(manners=["steps ignored"])
    assert send(deaf, "E03169FD", 6.0)[1].outcome == "ignored"
    shy = dish_with(manners=["any frame stops it"])
    send(shy, "E0316900", 3.0)
    send(shy, "E01038F0", 2.0)
    assert shy.readings().moving is None
    zero = dish_with(manners=["reset puts limits at 0"])
    send(zero, "E03100")
    assert send(zero, "E0316B00")[1].outcome == "refused"
    assert send(zero, "E0316900")[1].outcome == "refused"
    still = dish_with(manners=["no store while moving"])
    send(still, "E0316900", 3.0)
    assert send(still, "E0316A01")[1].outcome == "refused"
    single = dish_with(manners=["one address only"])
    assert send(single, "E03069FF")[1].outcome == "ignored"


def test_store_while_moving_keeps_the_count_of_that_instant() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E0316900", 3.0)
    _, entry = send(dish, "E0316A01")
    assert (entry.outcome, entry.reason) == ("stored", "while moving")
    assert dish.positioner.memory.positions[1] == entry.count_before


def test_reset_forgets_only_what_it_is_made_to() -> None:
    for forgets, positions, limit in (
        ((), {1: 500}, 400),
        (("positions",), {}, 400),
        (("limits",), {1: 500}, None),
    ):
        dish = dish_with(reset_forgets=forgets)
        send(dish, "E0316A01")
        dish.positioner.memory.east = 400
        send(dish, "E03100")
        memory = dish.positioner.memory
        assert (memory.positions, memory.east) == (positions, limit)
        assert send(dish, "E23110")[0] == "E4 01"
        send(dish, "E03101")
        assert send(dish, "E23110")[0] == "E4 00"


def test_angles_where_it_is_set_up_for_them() -> None:
    """E1 60 is 22.0 deg east, D0 A8 is 10.5 deg west (field usage, common practice)."""
    dish = dish_with(angles=True)
    send(dish, "E0316EE160", 60.0)
    assert dish.hour_angle_deg == pytest.approx(-22.0, abs=0.3)
    send(dish, "E0316ED0A8", 90.0)
    assert dish.hour_angle_deg == pytest.approx(10.5, abs=0.1)
    assert send(dish, "E0316EEA00")[1].outcome == "refused"


def test_counter_words_where_it_acts_on_them() -> None:
    dish = dish_with(manners=["acts on unsure commands"])
    assert send(dish, "E23165")[0] == "E4 01 F4"
    send(dish, "E0316C0208", 20.0)
    assert count(dish) == 520
    dish.positioner.memory.lost = True
    _, entry = send(dish, "E0316D01F4")
    assert (entry.outcome, entry.count_before, entry.count_after) == ("set", 520, 500)
    assert count(dish) == 500
    assert not dish.positioner.memory.lost
    send(dish, "E0316900", 2.0)
    _, entry = send(dish, "E0316D01F4")
    assert (entry.outcome, entry.reason) == ("refused", "it is moving")
    send(dish, "E03160", 3.0)
    for frame, side in (("E03161", -1), ("E03162", 1)):
        before = count(dish)
        _, entry = send(dish, frame, 3.0)
        assert entry.outcome == "moved"
        send(dish, "E03160", 3.0)
        assert (count(dish) - before) * side > 10
    assert send(dish, "E0316F01")[1].outcome == "ignored"


@pytest.mark.parametrize(
    ("passing", "at_13", "at_18"),
    [
        ("passed", False, True),
        ("inverted", True, False),
        ("held13", False, False),
        ("held18", True, True),
    ],
)
def test_supply_passing(passing: str, at_13: bool, at_18: bool) -> None:
    dish = dish_with(passing=passing)
    dish.set_supply(13)
    assert dish.horizontal is at_13
    assert send(dish, "E23110")[0] == "E4 00"
    dish.set_supply(18)
    assert dish.horizontal is at_18
    assert send(dish, "E23110")[0] == "E4 10"
    dish.set_supply(0)
    assert dish.horizontal is None
    assert send(dish, "E0316900")[1].reason == "no supply on the bus"


def test_standby_refuses_to_move() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E0316900", 2.0)
    send(dish, "E03102", 2.0)
    assert dish.readings().moving is None
    assert send(dish, "E0316900")[1].outcome == "refused"
    send(dish, "E03103")
    assert send(dish, "E0316900")[1].outcome == "moved"


def test_status_while_it_moves_and_after_an_end_switch() -> None:
    dish = Dish(LARKMERE)
    send(dish, "E0316900", 3.0)
    assert send(dish, "E23164")[0] == "E4 30"  # west, motor running
    dish.advance(dish.time_s + 100.0)
    assert send(dish, "E23164")[0] == "E4 22"  # west, hardware switch, not completed
    send(dish, "E0316803", 6.0)
    assert send(dish, "E23164")[0] == "E4 80"  # completed, east, switch left


def travel(memory: Memory, **habits: Any) -> Travel:
    return Travel(DriveSettings(**habits), memory, lambda _t_s: 1.4)


def order(side: int, goal: int | None, **rules: Any) -> Move:
    return Move(side, Entry(0.0, "", "moved", "", 0, 0), goal, **rules)


def test_a_pulse_before_any_order_counts_one_west() -> None:
    memory = Memory(count=500)
    travel(memory).on_pulse(0.0, 1)
    assert memory.count == 501


@pytest.mark.parametrize("approach", [-1, 1])
@pytest.mark.parametrize("off", [-1, 1])
def test_a_retry_arrives_from_the_right_side(approach: int, off: int) -> None:
    """Backlash is taken up the same way each time: from beyond the goal it goes back first."""
    memory = Memory(count=500)
    drive = travel(memory, approach=approach, approach_counts=8)
    move = order(1, 500, retries=1)
    drive.begin(0.0, move)
    memory.count = 500 + off  # it slides on while it settles
    drive.on_wake(drive.wake_s)
    assert move.retries == 0
    beyond = off == approach
    assert move.via == (500 - 8 * approach if beyond else None)
    assert drive.drive == -off


def test_nudges_grow_and_are_given_up_on() -> None:
    """A dead sensor: each push is longer than the one before, and after twelve it is a stall."""
    memory = Memory(count=500)
    drive = travel(memory, coast_counts=2, nudge_s=0.1, quiet_s=0.5, stall_s=3.0)
    move = order(1, 501)
    drive.begin(0.0, move)
    pushes = []
    begun_s = 0.0
    while drive.state != "idle":
        at_s = drive.wake_s
        if drive.state == "nudge":
            pushes.append(at_s - begun_s)
        drive.on_wake(at_s)
        begun_s = at_s
    assert pushes == pytest.approx([0.1 * 1.35**n for n in range(12)])
    assert move.entry.ended_by == "stall"
    assert (memory.count, memory.moving, drive.completed) == (500, False, False)


def test_a_nudge_that_brought_a_pulse_is_not_made_longer() -> None:
    drive = travel(Memory(count=500), coast_counts=3, nudge_s=0.1, quiet_s=0.5)
    move = order(1, 503)
    drive.begin(0.0, move)
    pushes = []
    while drive.state != "idle":
        at_s = drive.wake_s
        if drive.state == "nudge":
            pushes.append(move.nudge_s)
            drive.on_wake(at_s)
            drive.on_pulse(at_s + 0.05, 1)  # it coasts on to the next magnet
        else:
            drive.on_wake(at_s)
    assert pushes == [0.1, 0.1, 0.1]
    assert (move.entry.ended_by, move.entry.count_after) == ("target", 503)
    assert drive.completed


def test_counted_steps_go_on_forward_and_never_back() -> None:
    """Carried one too far by its coast, a count of steps is over; one short, it is made up."""
    for off, drives_on in ((1, False), (-1, True)):
        memory = Memory(count=500)
        drive = travel(memory, coast_counts=2)
        drive.begin(0.0, order(1, 510, steps=True, retries=1))
        memory.count = 507
        drive.on_pulse(1.0, 1)  # 2 short of its goal: the motor is cut, and coasts
        assert drive.drive == 0
        memory.count = 510 + off
        drive.on_wake(drive.wake_s)
        assert (drive.drive == 1) is drives_on


@pytest.mark.parametrize(
    ("amps", "why"), [(0.0, "end switch"), (0.04, "end switch"), (0.06, "stall"), (1.4, "stall")]
)
def test_no_pulses_is_an_end_switch_only_without_current(amps: float, why: str) -> None:
    """Through an open switch no current flows that way; a stalled motor draws much."""
    memory = Memory(count=990)
    drive = Travel(DriveSettings(stall_s=3.0), memory, lambda _t_s: amps)
    move = order(1, None)
    drive.begin(0.0, move)
    assert drive.wake_s == 3.0
    drive.on_pulse(2.0, 1)
    assert drive.wake_s == 5.0
    drive.on_wake(5.0)
    assert (drive.drive, drive.state) == (0, "settle")
    drive.on_wake(drive.wake_s)
    assert (move.entry.ended_by, move.entry.count_after) == (why, 991)
    assert drive.dead_sides == ({1} if why == "end switch" else set())
