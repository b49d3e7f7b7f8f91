"""What may leave for the bus, and for how long it may move."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus import standard as std
from bridge.bus.command import Drive, Goto, Halt, Limits, SetLimit, Store, command_of, frame_of
from bridge.bus.frame import Frame
from bridge.errors import Refused
from bridge.guard import LONGEST_GOTO_S, MARGIN_S, Situation, permit

READY = Situation(acknowledged=True, count=500)


def refusal(frame, now=READY):
    with pytest.raises(Refused) as caught:
        permit(frame, now)
    return str(caught.value)


@given(st.binary(min_size=1, max_size=8))
def test_no_drive_without_a_bound_ever_leaves(message):
    """Whatever the bytes: what is let through is bounded, or does not move a positioner."""
    frame = Frame.parse(message)
    try:
        granted = permit(frame, READY)
    except Refused:
        return
    drives = frame.command in (
        std.DRIVE_EAST,
        std.DRIVE_WEST,
        std.GO_EAST,
        std.GO_WEST,
        std.GOTO,
        std.GOTO_ANGLE,
        std.GOTO_COUNTER,
    )
    if frame.address in (0x00, 0x30, 0x31, 0x32) and drives:
        assert granted.bound_s is not None
        assert granted.bound_s <= LONGEST_GOTO_S
        command = command_of(frame)
        assert not isinstance(command, Drive) or command.bounded


@given(st.sampled_from([0x00, 0x30, 0x31, 0x32]), st.sampled_from([0x68, 0x69]))
def test_an_unbounded_drive_is_refused_at_any_positioner_address(address, command):
    for framing in (0xE0, 0xE1, 0xE2, 0xE3):
        for data in (b"", b"\x00", b"\x00\x01"):
            assert "without a bound" in refusal(Frame(framing, address, command, data))


@given(
    st.builds(
        Situation,
        st.booleans(),
        st.none() | st.integers(-10, 1100),
        st.sampled_from([None, "east", "west"]),
        st.sampled_from([None, "east", "west"]),
        st.floats(0, 10),
        st.sampled_from([None, True, False]),
        st.none() | st.integers(0, 500),
        st.none() | st.integers(500, 1000),
    )
)
def test_a_halt_is_always_permitted(now):
    assert permit(frame_of(Halt()), now).bound_s is None


def test_nothing_moves_before_the_cautions_are_acknowledged():
    for command in (Drive("east", counts=1), Goto(3)):
        assert "cautions" in refusal(frame_of(command), Situation())
    assert permit(frame_of(SetLimit("east")), Situation(count=45)).bound_s is None


def test_a_drive_may_last_its_bound_and_a_margin():
    assert permit(frame_of(Drive("west", seconds=5)), READY).bound_s == 5 + MARGIN_S
    assert permit(frame_of(Drive("west", counts=10)), READY).bound_s == 5 + MARGIN_S


@pytest.mark.parametrize(
    ("side", "count", "counts", "says"),
    [
        ("east", 50, 6, "would pass the soft limit at 45; 5 counts are left"),
        ("east", 45, 1, "at the east soft limit 45"),
        ("west", 984, 2, "1 count are left"),
        ("west", 990, 1, "at the west soft limit 985"),
    ],
)
def test_soft_limits_that_are_known_and_on_are_kept(side, count, counts, says):
    now = Situation(acknowledged=True, count=count, limits_on=True, limit_east=45, limit_west=985)
    assert says in refusal(frame_of(Drive(side, counts=counts)), now)
    off = Situation(acknowledged=True, count=count, limits_on=False, limit_east=45, limit_west=985)
    assert permit(frame_of(Drive(side, counts=counts)), off)


def test_driving_back_from_beyond_a_limit_is_permitted():
    now = Situation(acknowledged=True, count=40, limits_on=True, limit_east=45, limit_west=985)
    assert permit(frame_of(Drive("west", counts=10)), now)


def test_a_reversal_waits_for_the_coast():
    just = Situation(acknowledged=True, last_side="west", since_motion_s=0.4)
    assert "wait 1 s" in refusal(frame_of(Drive("east", counts=1)), just)
    assert permit(frame_of(Drive("west", counts=1)), just)
    later = Situation(acknowledged=True, last_side="west", since_motion_s=1.1)
    assert permit(frame_of(Drive("east", counts=1)), later)
    driving = Situation(acknowledged=True, moving="west", last_side="west", since_motion_s=0)
    assert "halt first" in refusal(frame_of(Drive("east", counts=1)), driving)


@pytest.mark.parametrize("command", [Store(7), SetLimit("east")])
def test_nothing_is_stored_in_mid_move(command):
    assert "come to rest" in refusal(frame_of(command), Situation(True, 500, moving="west"))


def test_limits_stay_in_order():
    now = Situation(True, count=300, limit_east=400)
    assert "counts grow west" in refusal(frame_of(SetLimit("west")), now)
    assert permit(frame_of(SetLimit("west")), Situation(True, count=500, limit_east=400))
    assert permit(frame_of(SetLimit("east")), Situation(True, count=300, limit_east=400))
    assert permit(frame_of(Limits(on=True)), now)


@pytest.mark.parametrize("hex_text", ["E0 31 6F 01", "E0 31 00", "E0 31 6D 01 00", "E0 31 6C 0100"])
def test_what_can_spoil_the_list_is_asked_for_twice(hex_text):
    frame = Frame.parse(bytes.fromhex(hex_text))
    assert "twice" in refusal(frame)
    assert permit(frame, READY, asked_twice=True)


@pytest.mark.parametrize(
    "hex_text", ["E0", "E0 31", "E4 80", "A0 31 60 00", "E0 31 6A 07 00 00 00"]
)
def test_what_is_no_command_is_refused(hex_text):
    assert refusal(Frame.parse(bytes.fromhex(hex_text)))
