"""The dead-man of the simulated adapter: when it fires, what feeds it, and what it lets pass."""

from __future__ import annotations

import pytest

from sim.lease import LONGEST_LEASE_S, SHORTEST_LEASE_S, Lease, LeaseState

HALT = bytes.fromhex("E03160")
STEP_EAST = bytes.fromhex("E03168FF")


@pytest.fixture
def lease() -> Lease:
    """One second from time 10, with the usual stop frame."""
    running = Lease()
    running.feed(10.0)
    assert running.grant(1.0, HALT) is None
    return running


def test_before_the_first_grant_nothing_runs():
    lease = Lease()
    assert (lease.state, lease.length_s, lease.due_s, lease.trips) == (
        LeaseState.NONE,
        0.0,
        None,
        0,
    )
    assert not lease.lapse(1e9)
    assert lease.stop_frame == HALT  # E0 31 60 (Positioner Application Note: halt, polar mount)


def test_one_that_was_never_fed_is_measured_from_the_start_of_the_adapter():
    lease = Lease()
    lease.grant(2.0, HALT)
    assert lease.due_s == 2.0


def test_it_lapses_a_length_after_it_was_last_fed_and_not_before(lease):
    assert (lease.state, lease.length_s, lease.due_s) == (LeaseState.RUNNING, 1.0, 11.0)
    assert not lease.lapse(10.999)
    lease.feed(10.75)
    assert lease.due_s == 11.75
    assert not lease.lapse(11.5)
    assert lease.trips == 0
    assert lease.lapse(11.75)
    assert (lease.state, lease.length_s, lease.due_s, lease.trips) == (
        LeaseState.LAPSED,
        0.0,
        None,
        1,
    )


def test_it_fires_once_and_feeding_does_not_revive_it(lease):
    assert lease.lapse(11.0)
    assert not lease.lapse(12.0)
    lease.feed(12.0)
    assert not lease.lapse(99.0)
    assert (lease.state, lease.trips) == (LeaseState.LAPSED, 1)


def test_a_new_grant_revives_it_and_every_lapse_is_counted(lease):
    assert lease.lapse(11.0)
    lease.feed(20.0)
    assert lease.grant(0.5, HALT) is None
    assert (lease.state, lease.due_s) == (LeaseState.RUNNING, 20.5)
    assert lease.lapse(20.5)
    assert lease.trips == 2


def test_it_is_measured_in_the_seconds_of_the_host(lease):
    assert lease.pace == 1.0
    lease.pace = 8.0
    assert lease.due_s == 18.0
    assert lease.length_s == 1.0


def test_ended_it_does_not_fire(lease):
    lease.end()
    assert (lease.state, lease.length_s, lease.due_s) == (LeaseState.NONE, 0.0, None)
    assert not lease.lapse(1e9)
    assert lease.trips == 0


@pytest.mark.parametrize("length_s", [0.1, 10.0])
def test_both_ends_of_the_range_are_granted(length_s):
    assert (SHORTEST_LEASE_S, LONGEST_LEASE_S) == (0.1, 10.0)
    lease = Lease()
    assert lease.grant(length_s, HALT) is None
    assert lease.length_s == length_s


@pytest.mark.parametrize("length_s", [0.0, 0.099, 10.01, -1.0, float("nan"), float("inf")])
def test_a_length_out_of_range_is_refused_and_changes_nothing(lease, length_s):
    assert lease.grant(length_s, STEP_EAST) == "range a lease is 0.1 to 10 s"
    assert (lease.length_s, lease.stop_frame) == (1.0, HALT)


@pytest.mark.parametrize("stop_frame", [b"\xe0", bytes(8)])
def test_a_stop_frame_has_1_to_8_bytes(stop_frame):
    lease = Lease()
    assert lease.grant(1.0, stop_frame) is None
    assert lease.stop_frame == stop_frame


@pytest.mark.parametrize("stop_frame", [b"", bytes(9)])
def test_another_stop_frame_is_refused_and_changes_nothing(lease, stop_frame):
    assert lease.grant(2.0, stop_frame) == "range a stop frame has 1 to 8 bytes"
    assert (lease.length_s, lease.stop_frame) == (1.0, HALT)


def test_only_a_running_lease_lets_frames_pass_but_always_the_stop_frame(lease):
    assert lease.refusal(STEP_EAST) is None
    lease.lapse(11.0)
    assert lease.refusal(STEP_EAST) == (
        "lapsed the host was silent too long, so the motor was stopped; ask again"
    )
    assert lease.refusal(HALT) is None
    lease.end()
    assert lease.refusal(STEP_EAST) == (
        "lease without a lease nothing would stop the motor; give one first"
    )
    assert lease.refusal(HALT) is None


@pytest.mark.parametrize(
    ("stop_frame", "repeat"),
    [
        ("E03160", "E13160"),  # a command has another framing when it is repeated,
        ("E23160", "E33160"),  # and so has one that wants a reply (Bus Functional Specification)
        ("E13160", "E13160"),
        ("E43160", "E43160"),
    ],
)
def test_the_stop_frame_goes_out_a_tenth_of_a_second_apart_as_a_repeat(stop_frame, repeat):
    lease = Lease()
    lease.grant(1.0, bytes.fromhex(stop_frame))
    sent = [(at_s, frame.hex().upper()) for at_s, frame in lease.stop_frames(3, 5.0)]
    assert [frame for _, frame in sent] == [stop_frame, repeat, repeat]
    assert [at_s for at_s, _ in sent] == pytest.approx([5.0, 5.1, 5.2])
    assert len(lease.stop_frames(2, 5.0)) == 2
