"""A list held against a log: each way in which they part is told, and what is not proved."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.log.actions import Action, ActionLog
from bridge.station.model import KnownEnds, Position, Site, SoftLimits, Station
from sim.lists.against_log import compare_log
from sim.lists.check import Finding

STATION = Station(
    station=Site(latitude_deg=44.6, longitude_deg=3.9),
    limits=SoftLimits(east=45, west=985),
    position=(
        Position(number=1, name="Alder", longitude_deg=41.2, count=94),
        Position(number=7, name="Gorse", longitude_deg=14.3, count=480),
        Position(number=9, name="Ivy", longitude_deg=7.4),
    ),
)


def differs(*actions: Action, station: Station = STATION) -> list[tuple[int | None, str]]:
    return [(f.number, f.code) for f in found(*actions, station=station) if f.grave]


def found(*actions: Action, station: Station = STATION, unread: int = 0) -> list[Finding]:
    return compare_log(station, ActionLog("evening.txt", actions, unread))


def store(number: int, count: int | None, line: int = 5) -> Action:
    return Action("store", f"line {line}", line, number=number, count=count)


def went(number: int, count: int | None, line: int = 8) -> tuple[Action, Action]:
    return (
        Action("goto", f"line {line}", line, number=number, count=0),
        Action("rest", f"line {line + 1}", line + 1, count=count),
    )


def end(count: int, line: int = 4) -> Action:
    return Action("end", f"line {line}", line, side="east", count=count)


def limit(side: str, count: int | None) -> Action:
    return Action("limit", "line 3", 3, side=side, count=count)  # type: ignore[arg-type]


def test_a_log_that_says_the_same_differs_in_nothing() -> None:
    actions = (store(1, 94), store(7, 480), limit("east", 45), limit("west", 985), *went(7, 482))
    assert found(*actions) == []


def test_what_was_stored_elsewhere_is_told_with_its_line() -> None:
    (finding,) = [f for f in found(store(7, 471), store(1, 94)) if f.grave]
    assert (finding.number, finding.code, finding.line) == (7, "count", 5)
    assert finding.detail == "store was sent at count 471, line 5; the file has 480 (+9)"


def test_only_the_last_store_of_a_number_counts() -> None:
    assert differs(store(7, 471), store(7, 480)) == []


def test_what_the_file_lacks_is_told() -> None:
    assert differs(store(30, 500)) == [(30, "not in the file")]
    assert differs(store(9, 570)) == [(9, "not taught")]
    assert differs(*went(31, 500)) == [(31, "not in the file")]


def test_limits_are_compared_one_by_one() -> None:
    actions = (limit("east", 40), limit("west", 985))
    assert differs(*actions) == [(None, "limits.east")]
    bare = STATION.model_copy(update={"limits": None})
    assert differs(*actions, station=bare) == [(None, "limits.east"), (None, "limits.west")]


def test_limits_left_off_are_told_and_limits_on_again_are_not() -> None:
    off, on = Action("limits off", "line 4"), Action("limits on", "line 6")
    assert differs(off) == [(None, "limits off")]
    assert differs(off, on) == differs(off, store(7, 480)) == differs(off, limit("east", 45)) == []


@pytest.mark.parametrize("did", ["reset", "recalculate", "write counter"])
def test_what_may_void_the_list_is_told_with_what_was_not_stored_again(did: str) -> None:
    actions = (store(1, 94), store(7, 480), Action(did, "line 6", 6), store(7, 480))  # type: ignore[arg-type]
    (finding,) = [f for f in found(*actions) if f.grave]
    assert finding.line == 6
    assert "not stored again after it: 1;" in finding.detail
    assert [(f.number, f.code) for f in found(*actions) if not f.grave] == [(1, "not proved")]


def test_counts_lost_between_are_seen_at_an_end() -> None:
    ends = [
        Action("end", f"line {n}", n, side="east", count=count) for n, count in ((4, -2), (9, 9))
    ]
    assert differs(*ends) == [(None, "counts lost")]
    near = [
        Action("end", f"line {n}", n, side="east", count=count) for n, count in ((4, -2), (9, 0))
    ]
    assert differs(*near) == []


def test_an_end_met_elsewhere_than_the_file_says_is_told() -> None:
    known = STATION.model_copy(update={"ends": KnownEnds(east=0)})
    end = Action("end", "line 4", 4, side="east", count=11)
    assert differs(end, station=known) == [(None, "ends.east")]
    assert differs(Action("end", "line 4", 4, side="east", count=-2), station=known) == []
    assert differs(end) == []  # the file says nothing of its ends


def test_counts_lost_between_are_seen_on_going_back() -> None:
    (finding,) = [f for f in found(store(7, 480), *went(7, 492)) if f.grave]
    assert finding.code == "arrived elsewhere"
    assert "came to rest at count 492, line 9, +12 from 480 where it was stored" in finding.detail
    assert differs(*went(7, 492)) == [(7, "arrived elsewhere")]  # as the file has it
    assert differs(*went(7, 483)) == []  # coast and backlash


def test_a_halt_on_the_way_is_no_arrival() -> None:
    go, rest = went(7, 520)
    actions = (go, Action("halt", "line 9"), rest)
    assert differs(*actions) == []
    assert (7, "not proved") in [(f.number, f.code) for f in found(*actions)]


def test_a_place_called_by_another_count_moves_all_before_it() -> None:
    # stored at 465 when the counter read 15 less than it does since line 7
    actions = (
        store(7, 465),
        limit("east", 30),
        Action("recount", "line 7", count=100, new_count=115),
    )
    assert differs(*actions) == []
    unknown = (store(7, 465), Action("recount", "line 7", new_count=115))
    assert differs(*unknown) == []


def test_without_counts_nothing_is_called_proved_or_wrong() -> None:
    actions = (store(1, None), limit("east", None), *went(7, None)[:1])
    told = found(*actions)
    assert not any(f.grave for f in told)
    assert [(f.number, f.code) for f in told] == [
        (None, "limits.east"),
        (None, "limits.west"),
        (1, "no count"),
        (7, "not proved"),
    ]
    assert "arriv" in told[-1].detail
    assert not any("arrived" in f.detail for f in told)  # "sent", never "arrived", without counts


def test_what_the_adapter_and_positioner_said_is_passed_on() -> None:
    actions = (Action("restart", "line 3"), Action("reference lost", "line 4"))
    assert differs(*actions) == [(None, "adapter restarted"), (None, "reference lost")]


def test_messages_that_could_not_be_read_are_told() -> None:
    assert "2 messages could not be read" in found(store(7, 480), unread=2)[0].detail


COUNTS = st.dictionaries(st.integers(1, 255), st.integers(46, 984), min_size=1, max_size=8)


@given(COUNTS, st.integers(-500, 500), st.data())
def test_a_faithful_log_differs_in_nothing_and_one_slip_is_named(
    counts: dict[int, int], recount: int, data: st.DataObject
) -> None:
    """Stored in any order, some gone back to, the counter called anew in between."""
    rows = [Position(number=n, name=f"P{n}", count=count) for n, count in counts.items()]
    station = STATION.model_copy(update={"position": tuple(rows)})
    order = data.draw(st.permutations(list(counts)))
    cut = data.draw(st.integers(0, len(order)))
    actions = [limit("east", 45 - recount), limit("west", 985 - recount)]
    actions += [store(n, counts[n] - recount) for n in order[:cut]]
    actions += [Action("recount", "line 6", 6, count=100 - recount, new_count=100)]
    actions += [store(n, counts[n]) for n in order[cut:]]
    for n in data.draw(st.lists(st.sampled_from(order), max_size=4)):
        actions += went(n, counts[n] + data.draw(st.integers(-4, 4)))
    assert found(*actions, station=station) == []
    wrong = data.draw(st.sampled_from(order))
    slip = data.draw(st.integers(-40, 40).filter(bool))
    told = found(*actions, store(wrong, counts[wrong] + slip), station=station)
    assert [(f.number, f.code) for f in told] == [(wrong, "count")]
    assert f"({-slip:+d})" in told[0].detail


ACTS = st.builds(
    Action,
    st.sampled_from(["store", "goto", "drive", "halt", "limit", "limits on", "limits off", "reset",
                     "recalculate", "write counter", "rest", "recount", "end", "restart",
                     "reference lost"]),
    st.just("line 1"),
    st.none() | st.integers(1, 99),
    st.none() | st.integers(0, 255),
    st.none() | st.sampled_from(["east", "west"]),
    st.none() | st.integers(-2000, 2000),
    st.none() | st.integers(-2000, 2000),
)  # fmt: skip


@given(st.lists(ACTS, max_size=12))
def test_any_log_is_told_in_sentences(actions: list[Action]) -> None:
    for finding in found(*actions):
        assert finding.code
        assert "None" not in finding.detail
        assert not finding.detail.endswith(".")
