"""What may leave for the bus, and for how long it may move.

Addresses and commands are those of the open standard (EUTELSAT, DiSEqC Bus Functional
Specification 4.2 and Positioner Application Note 1.0; from memory). Times are common practice.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.frame import Frame
from bridge.errors import NotConfirmed, Refused
from bridge.guard import Permit, Situation, permit

READY = Situation(acknowledged=True, count=500)
LIMITED = replace(READY, limits_on=True, limit_east=45, limit_west=985)

# Address byte of the standard: any device, any positioner, azimuth or polar, elevation.
POSITIONERS = (0x00, 0x30, 0x31, 0x32)
HALT, GO_EAST, GO_WEST, DRIVE_EAST, DRIVE_WEST = 0x60, 0x61, 0x62, 0x68, 0x69
GOTO, GOTO_COUNTER, GOTO_ANGLE, SET_POSITIONS = 0x6B, 0x6C, 0x6E, 0x6F
LONGEST_S = 240.0  # s, a long slow actuator from end to end (common practice)


def frame(hex_text: str) -> Frame:
    return Frame.parse(bytes.fromhex(hex_text))


def refusal(hex_text: str, now: Situation = READY) -> str:
    with pytest.raises(Refused) as caught:
        permit(frame(hex_text), now)
    return str(caught.value)


# ---- drives without a bound -------------------------------------------------------------------

BOUNDLESS = [
    "{} 68", "{} 69", "{} 68 00", "{} 69 00", "{} 68 00 01", "{} 69 05 00", "{} 61", "{} 62",
    "{} 61 05", "{} 62 FF",
]  # fmt: skip


@pytest.mark.parametrize("address", range(256))
def test_at_which_addresses_the_rules_of_motion_hold(address):
    """Every address at which the standard puts a positioner, and no other; the rule at present."""
    for framing in ("E0", "E1", "E2", "E3"):
        for order in BOUNDLESS:
            message = order.format(f"{framing} {address:02X}")
            if address in POSITIONERS:
                assert "without a bound" in refusal(message)
                assert "without a bound" in refusal(message, Situation())
            else:
                assert permit(frame(message), Situation()) == Permit()
    stored, reset = f"E0 {address:02X} 6B 07", f"E0 {address:02X} 00"
    if address in POSITIONERS:
        assert permit(frame(stored), READY) == Permit(LONGEST_S)
        assert "cautions" in refusal(stored, Situation())
        with pytest.raises(NotConfirmed):
            permit(frame(reset), READY)
    else:
        assert permit(frame(stored), Situation()) == Permit()
        assert permit(frame(reset), Situation()) == Permit()


@pytest.mark.parametrize("order", [text.format("E0 31") for text in BOUNDLESS])
def test_a_drive_without_a_bound_is_refused_in_a_whole_sentence(order):
    if order.split()[2] in ("61", "62"):
        says = f"{order} may drive without a bound; say 'drive east|west N counts' instead"
    else:
        says = f"{order} drives without a bound; say N counts (1-128) or N seconds (1-127)"
    assert refusal(order) == says


@given(st.binary(min_size=1, max_size=8))
def test_no_drive_without_a_bound_ever_leaves(message):
    """Whatever the bytes: what is let through is bounded, or does not move a positioner."""
    order = Frame.parse(message)
    try:
        granted = permit(order, READY)
    except Refused:
        return
    goes = order.command == GOTO and bool(order.data)  # without a number it goes nowhere
    moves = goes or order.command in (DRIVE_EAST, DRIVE_WEST, GOTO_ANGLE)
    if order.address in POSITIONERS and order.command != HALT:
        assert order.command not in (GO_EAST, GO_WEST, GOTO_COUNTER, SET_POSITIONS)
        if order.command in (DRIVE_EAST, DRIVE_WEST):
            assert len(order.data) == 1
            assert order.data != b"\0"
        assert (granted.bound_s is not None) == moves
        assert granted.bound_s is None or granted.bound_s <= LONGEST_S


# ---- a halt -----------------------------------------------------------------------------------


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
    ),
    st.integers(0, 255),
    st.sampled_from(["E0", "E1", "E2", "E3"]),
    st.binary(max_size=5),
)
def test_a_halt_is_always_permitted(now, address, framing, data):
    halt = bytes.fromhex(framing) + bytes([address, HALT]) + data
    assert permit(Frame.parse(halt), now) == Permit()


# ---- how long a motion may last ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("order", "bound_s"),
    [
        ("E0 31 69 05", 8.0),  # 5 s, and 3 s of margin
        ("E0 31 68 7F", 130.0),
        ("E0 31 69 F6", 8.0),  # 10 counts at 2 counts/s, and the margin
        ("E1 00 68 FF", 3.5),
        ("E0 31 68 80", 67.0),
        ("E0 31 6B 00", LONGEST_S),
        ("E0 30 6B 63", LONGEST_S),
        ("E0 31 6E E1 60", LONGEST_S),
        ("E0 31 6E 01 60", LONGEST_S),  # an angle whose side is unclear
        ("E0 31 6E", LONGEST_S),
        ("E0 31 6A 07", None),
        ("E0 31 6A 00", None),
        ("E0 31 63", None),
        ("E0 31 66", None),
        ("E2 31 64", None),
        ("E2 31 65", None),
        ("E0 31 7F", None),
        ("E0 31 01", None),
    ],
)
def test_the_longest_that_a_command_may_move(order, bound_s):
    assert permit(frame(order), READY) == Permit(bound_s)


@pytest.mark.parametrize(
    ("order", "bound_s"),
    [
        ("E0 31 6F 01", LONGEST_S),
        ("E0 31 6C 01 00", LONGEST_S),
        ("E0 31 6D 01 00", None),
        ("E0 31 00", None),
    ],
)
def test_what_reaches_far_is_sent_once_it_is_confirmed(order, bound_s):
    why = {
        "6F": "it can overwrite every stored position",
        "6C": "its use is not settled, and the dish may move",
        "6D": "its use is not settled, and it may move every position",
        "00": "a reset may clear the limits and the count",
    }[order.split()[2]]
    with pytest.raises(NotConfirmed, match="needs") as caught:
        permit(frame(order), READY)
    assert str(caught.value) == f"{order} needs a confirmation: {why}"
    assert permit(frame(order), READY, confirmed=True) == Permit(bound_s)


def test_a_confirmation_lifts_no_other_rule():
    for order in ("E0 31 69 00", "E0 31 61"):
        with pytest.raises(Refused, match="without a bound"):
            permit(frame(order), READY, confirmed=True)
    with pytest.raises(Refused, match="cautions"):
        permit(frame("E0 31 6F 01"), Situation(), confirmed=True)


# ---- the cautions -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "order", ["E0 31 68 FF", "E0 31 69 05", "E0 31 6B 03", "E0 31 6E D0 A8", "E0 31 6E 01 60"]
)
def test_nothing_moves_before_the_cautions_are_acknowledged(order):
    assert refusal(order, Situation()) == "acknowledge the cautions first; nothing moves before"


@pytest.mark.parametrize("order", ["E0 31 66", "E0 31 6A 07", "E0 31 63", "E2 31 64"])
def test_what_moves_nothing_needs_no_cautions(order):
    assert permit(frame(order), Situation()) == Permit()


# ---- soft limits ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("order", "count", "says"),
    [
        ("E0 31 68 FA", 50, "6 counts east would pass the soft limit at 45; 5 counts are left"),
        ("E0 31 69 FE", 984, "2 counts west would pass the soft limit at 985; 1 count is left"),
        ("E0 31 68 FF", 45, "at the east soft limit 45; drive the other way"),
        ("E0 31 69 FF", 985, "at the west soft limit 985; drive the other way"),
        ("E0 31 69 05", 990, "at the west soft limit 985; drive the other way"),
        ("E0 31 68 01", 40, "at the east soft limit 45; drive the other way"),
    ],
)
def test_a_soft_limit_that_is_known_and_on(order, count, says):
    assert refusal(order, replace(LIMITED, count=count)) == says
    for unknown in (
        {"limits_on": False},
        {"limits_on": None},
        {"count": None},
        {"limit_east": None, "limit_west": None},
    ):
        assert permit(frame(order), replace(LIMITED, **{"count": count, **unknown}))


@pytest.mark.parametrize(
    ("order", "count"),
    [
        ("E0 31 68 FB", 50),  # to the limit itself
        ("E0 31 69 FF", 984),
        ("E0 31 69 F6", 40),  # back from beyond it
        ("E0 31 68 F6", 990),
        ("E0 31 68 7F", 46),  # seconds: the positioner's own limit stops it
        ("E0 31 6B 07", 990),
    ],
)
def test_what_a_soft_limit_allows(order, count):
    assert permit(frame(order), replace(LIMITED, count=count)).bound_s is not None


@pytest.mark.parametrize(
    ("order", "now", "says"),
    [
        ("E0 31 67", {"limit_east": 501},
         "west limit at 500 would lie east of the east limit 501; counts grow west"),
        ("E0 31 66", {"limit_west": 499},
         "east limit at 500 would lie west of the west limit 499; counts grow west"),
        ("E0 31 66", {"limit_west": 500},
         "east limit at 500 would lie west of the west limit 500; counts grow west"),
    ],
)  # fmt: skip
def test_limits_stay_in_order(order, now, says):
    assert refusal(order, replace(READY, **now)) == says


@pytest.mark.parametrize(
    ("order", "now"),
    [
        ("E0 31 67", {"limit_east": 499, "limit_west": 100}),
        ("E0 31 66", {"limit_west": 501, "limit_east": 900}),
        ("E0 31 67", {"limit_east": 501, "count": None}),
        ("E0 31 66", {}),
        ("E0 31 67", {"limit_east": 500}),
        ("E0 31 6A 00", {"limit_east": 900, "limit_west": 100}),
    ],
)
def test_limits_that_are_in_order_or_not_known(order, now):
    assert permit(frame(order), replace(READY, **now)) == Permit()


# ---- reversals and rest -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("order", "side", "other"), [("E0 31 68 FF", "east", "west"), ("E0 31 69 05", "west", "east")]
)
def test_a_reversal_waits_for_the_coast(order, side, other):
    """Wait 0.5-1 s before reversing (common practice); the guard asks for the longer."""
    coasting = replace(READY, last_side=other, since_motion_s=0.96)
    assert refusal(order, coasting) == (
        f"moved {other} 1.0 s ago; wait 1 s before going {side}, so that the coast is not "
        "counted backwards"
    )
    assert permit(frame(order), replace(coasting, since_motion_s=1.0))
    assert permit(frame(order), replace(coasting, last_side=side, since_motion_s=0.0))
    assert permit(frame(order), replace(coasting, last_side=None, since_motion_s=0.0))
    driving = replace(READY, moving=other, last_side=other, since_motion_s=0.0)
    assert refusal(order, driving) == f"still driving {other}; halt first, then wait 1 s"
    assert permit(frame(order), replace(driving, moving=side, last_side=side))
    assert permit(frame("E0 31 6B 07"), driving)  # a positioner sees to a goto itself


@pytest.mark.parametrize("order", ["E0 31 6A 07", "E0 31 66", "E0 31 67"])
def test_nothing_is_stored_in_mid_move(order):
    moving = replace(READY, moving="west")
    assert refusal(order, moving) == "driving west; halt and let it come to rest first"
    assert permit(frame("E0 31 6A 00"), moving) == Permit()  # limits on stores no place


# ---- what is no command -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ("E0", "E0 is no command: it has 1 byte, and a command has 3 to 6"),
        ("E0 31", "E0 31 is no command: it has 2 bytes, and a command has 3 to 6"),
        (
            "E0 31 6A 07 00 00 00",
            "E0 31 6A 07 00 00 00 is no command: it has 7 bytes, and a command has 3 to 6",
        ),
        ("E4 80 00", "E4 80 00 does not start a command; commands start with E0 to E3"),
        ("A0 31 6B 00", "A0 31 6B 00 does not start a command; commands start with E0 to E3"),
        ("E8 10 38", "E8 10 38 does not start a command; commands start with E0 to E3"),
    ],
)
def test_what_is_no_command_is_refused(message, says):
    assert refusal(message) == says


@pytest.mark.parametrize("message", ["E0 10 38 F0", "E2 10 14", "E0 F1 6A 01 02 03"])
def test_a_command_of_3_to_6_bytes_to_another_device_may_leave(message):
    assert permit(frame(message), Situation()) == Permit()
