"""The reed against geometry worked out by hand, and the counting rules against each other."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.rig.reed import Counting, Ledger, Reed, Sensor, counts_of, register


def walk(reed: Reed, x: float, to: float) -> list[tuple[bool, int, int]]:
    """Edges met on the way from x to `to`: closing or not, direction, what it adds to the truth."""
    direction = 1 if to > x else -1
    met = []
    while (to - reed.next_edge(direction)) * direction >= 0.0:
        truth = reed.cross(direction)
        met.append((reed.closed, direction, truth))
    return met


@given(st.floats(-50, 50), st.lists(st.floats(-50, 50), max_size=30))
def test_the_contact_is_a_schmitt_trigger_on_the_magnets(x: float, turns: list[float]) -> None:
    """Closed within 0.20 of a magnet, open past 0.28; between, as it was when it came there."""
    reed = Reed()
    reed.place(x)
    for to in turns:
        if to == x:
            continue
        was = reed.closed
        walk(reed, x, to)
        nearest = round(to - reed.centre) + reed.centre
        off = abs(to - nearest)
        if off < 0.20:
            assert reed.closed
        elif off > 0.28:
            assert not reed.closed
        else:
            low, high = min(x, to), max(x, to)
            inside = low < nearest + 0.20 and high > nearest - 0.20
            outside = abs(x - nearest) > 0.28
            assert reed.closed == (inside or (was and not outside))
        x = to
        # the truth is the count whose cell holds x, give or take half the hysteresis
        assert abs(reed.truth - x) <= 0.5 + 0.04 + 1e-9


@given(st.lists(st.floats(-30, 30), min_size=1, max_size=30))
def test_the_approach_rule_is_never_wrong(turns: list[float]) -> None:
    reed = Reed()
    reed.place(0.0)
    start, count, x = reed.truth, 0, 0.0
    for to in turns:
        if to == x:
            continue
        for closing, direction, _ in walk(reed, x, to):
            count += counts_of("approach", closing, direction)
        x = to
    assert count == reed.truth - start


def test_closures_alone_are_off_by_reversals_over_a_closed_contact() -> None:
    """drift = (west to east begun closed) - (east to west begun closed) (computed)."""
    rng = random.Random(4)
    reed = Reed()
    reed.place(0.0)
    start, count, x = reed.truth, 0, 0.0
    begun = 0
    last = 1
    for _ in range(500):
        to = x + rng.uniform(1.0, 30.0) * -last
        if reed.closed:
            begun += last  # +1: was going west, turns east
        last = 1 if to > x else -1
        for closing, direction, _ in walk(reed, x, to):
            count += counts_of("closures", closing, direction)
        x = to
    error = count - (reed.truth - start)
    assert begun != 0
    # an open or closed end of the walk itself may still owe one count
    assert abs(error - begun) <= 1


def test_both_edges_count_twice() -> None:
    reed = Reed()
    reed.place(0.0)
    count = sum(counts_of("edges", c, d) for c, d, _ in walk(reed, 0.0, 48.2))
    assert count == 96  # the factor-of-two trap: 48 magnets (common practice)


@pytest.mark.parametrize("rule", ["approach", "closures"])
@given(
    steps=st.lists(st.tuples(st.floats(-20, 20), st.booleans()), min_size=1, max_size=20),
    seed=st.integers(0, 99),
)
def test_error_is_exactly_what_the_ledger_says(
    rule: Counting, steps: list[tuple[float, bool]], seed: int
) -> None:
    """Count minus truth is missed, doubled and wrong-signed pulses, and nothing else."""
    reed, ledger = Reed(), Ledger()
    sensor = Sensor(miss_west=0.1, miss_east=0.05, double=0.1, seed=seed)
    reed.place(0.0)
    start, count, x = reed.truth, 0, 0.0
    for to, wrong in steps:
        if to == x:
            continue
        for closing, direction, truth in walk(reed, x, to):
            polarity = -direction if wrong else direction
            pulses = register(
                ledger,
                sensor,
                rule,
                closing=closing,
                direction=direction,
                truth=truth,
                polarity=polarity,
            )
            count += pulses * polarity
        x = to
    assert count - (reed.truth - start) == ledger.total


@pytest.mark.parametrize("chance", [1.0, 0.3, 0.08, 0.01])
def test_missing_pulses_come_at_their_rate(chance: float) -> None:
    """Binomial: the number missed of n is within 4 standard deviations of n p (computed)."""
    n = 20_000
    sensor = Sensor(miss_west=chance, seed=1)
    missed = sum(sensor.deliver(1) == 0 for _ in range(n))
    assert abs(missed - n * chance) <= 4 * math.sqrt(n * chance * (1 - chance))
    assert all(sensor.deliver(-1) == 1 for _ in range(100))


def test_same_seed_same_faults() -> None:
    one, two, other = (Sensor(double=0.2, seed=s) for s in (5, 5, 6))
    first = [one.deliver(1) for _ in range(200)]
    assert first == [two.deliver(1) for _ in range(200)]
    assert first != [other.deliver(1) for _ in range(200)]


def test_two_pulses_of_the_wrong_sign_cost_four_counts() -> None:
    """A reversal during the coast (common practice: an error of twice the pulses)."""
    reed, ledger = Reed(), Ledger()
    reed.place(0.0)
    count = 0
    for closing, direction, truth in walk(reed, 0.0, 2.2):  # still coasting west, asked to go east
        count += -1 * register(
            ledger,
            Sensor(),
            "closures",
            closing=closing,
            direction=direction,
            truth=truth,
            polarity=-1,
        )
    assert count - reed.truth == -4 == ledger.wrong_sign


@pytest.mark.parametrize(
    ("x", "closed", "gap", "truth", "edges"),
    [
        (0.0, False, 0, 0, 0),
        (0.53, False, 0, 0, 0),
        (0.55, True, 0, 1, 1),  # magnet 0 sits at 0.74 and closes from 0.54 to 0.94
        (0.93, True, 0, 1, 1),
        (0.95, False, 1, 1, 2),
        (-0.27, True, -1, 0, -1),
        (7.1, False, 7, 7, 14),
        (7.7, True, 7, 8, 15),
    ],
)
def test_a_place_sets_the_contact(x: float, closed: bool, gap: int, truth: int, edges: int) -> None:
    reed = Reed()
    reed.place(x)
    assert (reed.closed, reed.gap, reed.truth, reed.edges) == (closed, gap, truth, edges)


def test_edges_on_the_way_west_and_back() -> None:
    """West over magnet 0: closes at 0.54, opens at 1.02; back: closes at 0.94, opens at 0.46."""
    reed = Reed()
    reed.place(0.0)
    assert reed.next_edge(1) == pytest.approx(0.54)
    assert (reed.cross(1), reed.closed) == (1, True)
    assert reed.next_edge(1) == pytest.approx(1.02)
    assert reed.next_edge(-1) == pytest.approx(0.46)
    assert (reed.cross(1), reed.closed) == (0, False)
    assert reed.next_edge(1) == pytest.approx(1.54)
    assert reed.next_edge(-1) == pytest.approx(0.94)
    assert (reed.cross(-1), reed.closed) == (0, True)
    assert (reed.cross(-1), reed.closed) == (-1, False)
    assert reed.gap == 0


def test_a_dead_sensor_gives_nothing_and_a_certain_fault_comes_each_time() -> None:
    assert [Sensor(dead=True).deliver(way) for way in (-1, 1)] == [0, 0]
    double = Sensor(double=1.0)
    assert [double.deliver(way) for way in (-1, 1, 1)] == [2, 2, 2]
    east = Sensor(miss_east=1.0)
    assert [east.deliver(way) for way in (-1, 1, -1)] == [0, 1, 0]
