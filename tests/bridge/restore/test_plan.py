"""The plan of a restoration: what, in which order, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.command import MOST_STEPS
from bridge.errors import BadInput
from bridge.restore.plan import (
    RUN_UP,
    Plan,
    Target,
    pieces,
    plan_of,
    proofs_of,
    route_of,
    run_up_start,
)

COUNTS = st.lists(st.integers(45, 985), min_size=1, max_size=20)


def _plan(counts, *, arrive="west", limits=True):
    positions = tuple(Target(n, count) for n, count in enumerate(counts, start=1))
    ends = (Target("east", 45), Target("west", 985)) if limits else ()
    return Plan(positions, ends, arrive, 45, 985, 7.5)


@given(COUNTS, st.sampled_from(["west", "east", None]), st.none() | st.integers(0, 1000))
def test_the_route_visits_every_target_once_in_one_sweep(counts, arrive, here):
    plan = _plan(counts, arrive=arrive)
    route = route_of(plan, plan.targets, here)
    assert sorted(target.key for target in route.targets) == sorted(t.key for t in plan.targets)
    visited = [target.count for target in route.targets]
    assert visited in (sorted(visited), sorted(visited, reverse=True))
    assert arrive in (None, route.arrive)


@given(COUNTS, st.sampled_from(["west", "east"]), st.integers(45, 985))
def test_no_sweep_in_the_other_order_is_shorter(counts, arrive, here):
    plan = _plan(counts, arrive=arrive)
    best = route_of(plan, plan.targets, here)
    span = 985 - 45
    assert best.travel >= span  # both limits are visited
    assert best.travel <= span + min(here - 45, 985 - here) + 2 * RUN_UP * (len(counts) + 1)


@given(st.integers(0, 5000))
def test_pieces_are_what_one_command_can_say(counts):
    cut = list(pieces(counts))
    assert sum(cut) == counts
    assert all(1 <= piece <= MOST_STEPS for piece in cut)


@given(st.integers(45, 985), st.sampled_from(["west", "east"]))
def test_a_run_up_stays_inside_the_limits(count, side):
    start = run_up_start(_plan([count]), count, side)
    assert 45 <= start <= 985
    assert abs(count - start) <= RUN_UP
    assert (count - start >= 0) == (side == "west") or start == count


def test_the_list_the_limits_and_the_side_make_the_fingerprint(station):
    same = plan_of(station()).fingerprint
    assert plan_of(station()).fingerprint == same
    others = [
        plan_of(station(), only=[1, 2]),
        plan_of(station(), limits=False),
        plan_of(station(approach="east")),
        plan_of(station(), by_counter=True),
    ]
    assert len({same, *(plan.fingerprint for plan in others)}) == 5


def test_either_side_and_no_word_of_it_leave_the_choice(station):
    assert plan_of(station(approach="either")).arrive is None
    assert plan_of(station(approach=None)).arrive is None
    assert plan_of(station(approach="east")).arrive == "east"


def test_a_number_that_is_not_in_the_list_is_told(station):
    with pytest.raises(BadInput, match="position 77 is not in the list; there are 1, 2, 3"):
        plan_of(station(1, 2, 3), only=[77])


def test_a_list_without_counts_is_told(station):
    bare = station(1)
    row = bare.position[0].model_copy(update={"count": None})
    with pytest.raises(BadInput, match="has a count; teach some"):
        plan_of(bare.model_copy(update={"position": (row,)}))


def test_a_position_outside_the_limits_is_told(station):
    far = station(1, 16)
    row = far.position[0].model_copy(update={"count": 44})
    with pytest.raises(BadInput, match=r"position 1 \(Alder\) at 44 is outside the limits 45 to"):
        plan_of(far.model_copy(update={"position": (row,)}))


def test_a_count_too_large_for_a_counter_write_is_told(station):
    wide = station(1, limits=None)
    row = wide.position[0].model_copy(update={"count": 40_000})
    wide = wide.model_copy(update={"position": (row,), "mount": None})
    assert plan_of(wide).positions[0].count == 40_000
    with pytest.raises(BadInput, match="-32768 to 32767 counts; restore by driving"):
        plan_of(wide, by_counter=True)


def test_proofs_are_the_ends_the_middle_the_highest_number_and_each_session():
    plan = _plan([100, 200, 300, 400, 500, 600, 700])
    sessions = dict.fromkeys(range(1, 8), 1)
    assert [t.what for t in proofs_of(plan, sessions)] == [1, 4, 7]
    assert [t.what for t in proofs_of(plan, sessions | {6: 2, 5: 2})] == [1, 4, 6, 7]
    mixed = Plan(
        tuple(Target(n, c) for n, c in [(1, 100), (99, 200), (2, 300), (3, 400), (4, 500)]),
        (), "west", None, None, 7.0,
    )  # fmt: skip
    assert 99 in [t.what for t in proofs_of(mixed, dict.fromkeys([1, 2, 3, 4, 99], 1))]
    assert len(proofs_of(plan, sessions, every=True)) == 7
