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


# ---- what a sweep costs: worked by hand, with 12 counts of run-up and 128 counts a command -------


def _open_plan(*counts, arrive="west"):
    positions = tuple(Target(n, count) for n, count in enumerate(counts, start=1))
    return Plan(positions, (), arrive, None, None, 7.5)


@pytest.mark.parametrize(
    ("arrive", "here", "counts", "travel", "stops"),
    [
        # 50 and 200 counts straight on: a stop a place, and a drive of 50, of 128 and of 72.
        ("west", 50, (100, 300), 250, 5),
        # Back to 88, on to 100 and to 300: a stop a place, and five drives but one.
        ("west", 150, (100, 300), 62 + 12 + 200, 6),
        # On the spot, but from nowhere: back by the run-up and on again.
        ("west", 100, (100,), 24, 3),
        # Too near for a run-up of 8, and just far enough.
        ("west", 93, (100,), 5 + 12, 3),
        ("west", 92, (100,), 8, 2),
        # The same, mirrored.
        ("east", 107, (100,), 5 + 12, 3),
        ("east", 108, (100,), 8, 2),
        # From an unknown count the first place costs its stop alone; 5 counts on, what was taken
        # up before does not count, so back by 7 and on by 12.
        ("west", None, (100,), 0, 1),
        ("west", None, (100, 105), 7 + 12, 4),
        # After a whole run-up one count on is enough.
        ("west", 50, (100, 101), 51, 4),
    ],
)
def test_what_a_sweep_costs(arrive, here, counts, travel, stops):
    plan = _open_plan(*counts, arrive=arrive)
    route = route_of(plan, plan.targets, here)
    assert (route.arrive, route.travel, route.stops) == (arrive, travel, stops)


def test_a_limit_is_met_without_a_run_up():
    plan = Plan((Target(1, 500),), (Target("east", 45), Target("west", 985)), "west", 45, 985, 7.5)
    route = route_of(plan, plan.limits, 100)
    assert [target.what for target in route.targets] == ["east", "west"]
    assert route.travel == 55 + 940


def test_without_a_side_the_shorter_one_is_taken():
    plan = _open_plan(100, 200, arrive=None)
    assert route_of(plan, plan.targets, 300).arrive == "east"
    assert route_of(plan, plan.targets, 0).arrive == "west"


def test_the_time_is_that_of_travel_and_three_seconds_a_stop():
    plan = _open_plan(100, 300)
    assert route_of(plan, plan.targets, 50).seconds(10.0) == pytest.approx(250 / 10.0 + 5 * 3.0)


def test_the_speed_is_a_usual_one_of_the_mount(station):
    listed = station()
    # 4 mm/s is a usual linear actuator, 7 counts/s a usual dish (common practice).
    assert plan_of(listed).counts_per_s == pytest.approx(listed.mount.counts_per_mm * 4.0)
    assert plan_of(listed.model_copy(update={"mount": None})).counts_per_s == 7.0


def test_a_run_up_ends_at_a_limit_and_never_beyond_the_position():
    plan = Plan((), (), "west", 45, 985, 7.5)
    assert run_up_start(plan, 500, "west") == 488
    assert run_up_start(plan, 500, "east") == 512
    assert run_up_start(plan, 50, "west") == 45
    assert run_up_start(plan, 980, "east") == 985
    assert run_up_start(plan, 40, "west") == 40  # outside already
    assert run_up_start(plan, 990, "east") == 990


@pytest.mark.parametrize(
    ("count", "fits"), [(-0x8000, True), (0x7FFF, True), (-0x8001, False), (0x8000, False)]
)
def test_two_bytes_hold_these_counts(station, count, fits):
    wide = station(1, limits=None)
    row = wide.position[0].model_copy(update={"count": count})
    wide = wide.model_copy(update={"position": (row,), "mount": None})
    if fits:
        assert plan_of(wide, by_counter=True).by_counter
        return
    with pytest.raises(BadInput) as caught:
        plan_of(wide, by_counter=True)
    assert str(caught.value) == (
        f"position 1 (Alder) at {count} does not fit the counter's two bytes, -32768 to 32767 "
        "counts; restore by driving"
    )


@pytest.mark.parametrize("numbers", [(1,), (1, 2), (1, 2, 3)])
def test_of_up_to_three_positions_all_are_proved(numbers):
    plan = _open_plan(*(100 * number for number in numbers))
    chosen = proofs_of(plan, dict.fromkeys(numbers, 1))
    assert [target.what for target in chosen] == list(numbers)


def test_only_positions_of_a_session_are_proved():
    plan = _open_plan(100, 200, 300)
    assert [target.what for target in proofs_of(plan, {2: 1})] == [2]
