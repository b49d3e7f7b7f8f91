"""End switches that open one way only, and the stops past them."""

from __future__ import annotations

import math

import pytest

from sim.rig.ends import Ends, EndState

ENDS = Ends(0.0, 1000.0, -5.0, 1058.0, fence=1010.0, hysteresis=2.0)


@pytest.mark.parametrize(
    ("x", "east_open", "west_open"),
    [
        (-3.0, True, False),
        (0.0, True, False),
        (0.1, False, False),
        (999.9, False, False),
        (1000.0, False, True),
        (1004.0, False, True),
    ],
)
def test_a_switch_is_open_from_its_own_place_outward(
    x: float, east_open: bool, west_open: bool
) -> None:
    """It blocks the drive that way only: a diode across it lets the motor drive back."""
    state = EndState.at(ENDS, x)
    assert (state.blocks(-1), state.blocks(1)) == (east_open, west_open)
    assert not state.blocks(0)


def test_a_switch_closes_again_its_hysteresis_back() -> None:
    state = EndState.at(ENDS, 500.0)
    assert state.next_switch(500.0, 1) == (1000.0, "west")
    assert state.next_switch(500.0, -1) == (0.0, "east")
    state.toggle("west")
    assert state.blocks(1)
    assert state.next_switch(1001.0, 1) == (math.inf, "")
    assert state.next_switch(1001.0, -1) == (998.0, "west")
    state.toggle("west")
    assert not state.blocks(1)
    state.toggle("east")
    assert state.blocks(-1)
    assert state.next_switch(-1.0, -1) == (-math.inf, "")
    assert state.next_switch(-1.0, 1) == (2.0, "east")
    state.toggle("east")
    assert not state.blocks(-1)


def test_ends_closer_than_the_hysteresis_meet_the_nearer_switch_first() -> None:
    close = Ends(0.0, 3.0, -5.0, 8.0, hysteresis=4.0)
    east = EndState.at(close, -1.0)
    assert east.next_switch(-1.0, 1) == (3.0, "west")
    west = EndState.at(close, 3.5)
    assert west.next_switch(3.5, -1) == (0.0, "east")


@pytest.mark.parametrize(
    ("slip", "west"), [(0.0, 1010.0), (14.0, 996.0), (-40.0, 1050.0), (-60.0, 1058.0)]
)
def test_a_clamp_that_slipped_ahead_meets_the_fence_sooner(slip: float, west: float) -> None:
    state = EndState.at(ENDS, 500.0)
    assert state.stop_at(1, slip) == west
    assert state.stop_at(-1, slip) == -5.0
    free = EndState.at(Ends(0.0, 1000.0, -5.0, 1058.0), 500.0)
    assert free.stop_at(1, slip) == 1058.0
