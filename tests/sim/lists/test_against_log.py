"""A list held against a log: each difference with its sentence, and what is not proved."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.log.actions import Action, ActionLog
from bridge.station.model import KnownEnds, Position, SiteTable, SoftLimits, Station
from sim.lists.against_log import compare_log
from sim.lists.finding import ListFinding

STATION = Station(
    station=SiteTable(latitude_deg=44.6, longitude_deg=3.9),
    limits=SoftLimits(east=45, west=985),
    position=(
        Position(number=1, name="Alder", longitude_deg=41.2, count=94),
        Position(number=7, name="Gorse", longitude_deg=14.3, count=480),
        Position(number=9, name="Ivy", longitude_deg=7.4),
    ),
)


def differs(*actions: Action, station: Station = STATION) -> list[tuple[int | None, str]]:
    return [(f.number, f.code) for f in found(*actions, station=station) if f.grave]


def found(*actions: Action, station: Station = STATION, unread: int = 0) -> list[ListFinding]:
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


def test_what_was_stored_elsewhere_is_reported_with_its_line() -> None:
    (finding,) = [f for f in found(store(7, 471), store(1, 94)) if f.grave]
    assert (finding.number, finding.code, finding.line) == (7, "count", 5)
    assert finding.detail == "store was sent at count 471, line 5; the file has 480 (+9)"


def test_only_the_last_store_of_a_number_counts() -> None:
    assert differs(store(7, 471), store(7, 480)) == []


def test_what_the_file_lacks_is_reported() -> None:
    assert differs(store(30, 500)) == [(30, "not in the file")]
    assert differs(store(9, 570)) == [(9, "not taught")]
    assert differs(*went(31, 500)) == [(31, "not in the file")]


def test_limits_are_compared_one_by_one() -> None:
    actions = (limit("east", 40), limit("west", 985))
    assert differs(*actions) == [(None, "limits.east")]
    bare = STATION.model_copy(update={"limits": None})
    assert differs(*actions, station=bare) == [(None, "limits.east"), (None, "limits.west")]


def test_limits_left_off_are_reported_and_limits_on_again_are_not() -> None:
    off, on = Action("limits off", "line 4"), Action("limits on", "line 6")
    assert differs(off) == [(None, "limits off")]
    assert differs(off, on) == differs(off, store(7, 480)) == differs(off, limit("east", 45)) == []


@pytest.mark.parametrize("kind", ["reset", "recalculate", "write counter"])
def test_what_may_void_the_list_is_reported_with_what_was_not_stored_again(kind: str) -> None:
    actions = (store(1, 94), store(7, 480), Action(kind, "line 6", 6), store(7, 480))  # type: ignore[arg-type]
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


def test_an_end_met_elsewhere_than_the_file_says_is_reported() -> None:
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
    findings = found(*actions)
    assert not any(f.grave for f in findings)
    assert [(f.number, f.code) for f in findings] == [
        (None, "limits.east"),
        (None, "limits.west"),
        (1, "no count"),
        (7, "not proved"),
    ]
    assert "arriv" in findings[-1].detail
    assert not any(
        "arrived" in f.detail for f in findings
    )  # "sent", never "arrived", without counts


def test_what_the_adapter_and_positioner_report_is_passed_on() -> None:
    actions = (Action("restart", "line 3"), Action("reference lost", "line 4"))
    assert differs(*actions) == [(None, "adapter restarted"), (None, "reference lost")]


def test_messages_that_could_not_be_read_are_reported() -> None:
    assert "2 messages could not be read" in found(store(7, 480), unread=2)[0].detail


COUNTS = st.dictionaries(st.integers(1, 255), st.integers(46, 984), min_size=1, max_size=8)


@given(COUNTS, st.integers(-500, 500), st.data())
def test_a_faithful_log_differs_in_nothing_and_one_error_is_named(
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
    error = data.draw(st.integers(-40, 40).filter(bool))
    findings = found(*actions, store(wrong, counts[wrong] + error), station=station)
    assert [(f.number, f.code) for f in findings] == [(wrong, "count")]
    assert f"({-error:+d})" in findings[0].detail


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
def test_any_log_is_reported_in_sentences(actions: list[Action]) -> None:
    for finding in found(*actions):
        assert finding.code
        assert "None" not in finding.detail
        assert not finding.detail.endswith(".")


def end_at(side: str, count: int | None, line: int = 4) -> Action:
    return Action("end", f"line {line}", line, side=side, count=count)  # type: ignore[arg-type]


ENDS = STATION.model_copy(update={"ends": KnownEnds(east=0, west=1030)})
RESET = Action("reset", "line 6", 6)


@pytest.mark.parametrize(
    ("actions", "station", "finding"),
    [
        (
            (store(1, None),),
            STATION,
            ListFinding(
                1,
                "no count",
                "store was sent, line 5, with no count seen: the file's 94 is not proved by it",
                False,
                5,
            ),
        ),
        (
            (store(9, None),),
            STATION,
            ListFinding(
                9,
                "no count",
                "store was sent, line 5, with no count seen: the file's none is not proved by it",
                False,
                5,
            ),
        ),
        (
            (store(9, 570),),
            STATION,
            ListFinding(
                9,
                "not taught",
                "store was sent at count 570, line 5; Ivy is not taught in the file",
                line=5,
            ),
        ),
        (
            (store(30, 500),),
            STATION,
            ListFinding(
                30,
                "not in the file",
                "store was sent at count 500, line 5; the file has no position 30",
                line=5,
            ),
        ),
        (
            (store(30, None),),
            STATION,
            ListFinding(
                30,
                "not in the file",
                "store was sent, line 5; the file has no position 30",
                line=5,
            ),
        ),
        (
            went(31, 500),
            STATION,
            ListFinding(
                31,
                "not in the file",
                "the dish was sent there, line 8; the file has no position 31",
                line=8,
            ),
        ),
        (
            went(7, 475),
            STATION,
            ListFinding(
                7,
                "arrived elsewhere",
                "sent to Gorse, the dish came to rest at count 475, line 9, -5 from 480 where the"
                " file has it: counts were lost, or the positioner holds another place",
                line=9,
            ),
        ),
        (
            (store(7, 480), *went(7, 485)),
            STATION,
            ListFinding(
                7,
                "arrived elsewhere",
                "sent to Gorse, the dish came to rest at count 485, line 9, +5 from 480 where it"
                " was stored: counts were lost, or the positioner holds another place",
                line=9,
            ),
        ),
        (
            (store(7, 480), RESET),
            STATION,
            ListFinding(7, "not proved", "Gorse was stored, line 5, before a reset", False),
        ),
        (
            (store(7, 480), RESET),
            STATION,
            ListFinding(
                None,
                "reset",
                "a reset was sent line 6, which may clear stored positions and limits; not stored"
                " again after it: 7; prove the list by going back",
                line=6,
            ),
        ),
        (
            (store(7, 480), Action("recalculate", "line 6", 6), store(7, 480)),
            STATION,
            ListFinding(
                None,
                "recalculated",
                "a recalculation was sent line 6, which may move every stored position; prove the"
                " list by going back",
                line=6,
            ),
        ),
        (
            (store(7, 480), store(1, 94), Action("write counter", "line 6", 6)),
            STATION,
            ListFinding(
                None,
                "counter written",
                "a counter write was sent line 6, which may move them all; not stored again after"
                " it: 1, 7; prove the list by going back",
                line=6,
            ),
        ),
        (
            went(1, None),
            STATION,
            ListFinding(
                1,
                "not proved",
                "Alder was gone to, line 8, and no count was seen on arriving",
                False,
            ),
        ),
        (
            (),
            STATION,
            ListFinding(
                1,
                "not proved",
                "count 94 of Alder was neither stored nor gone to in the log",
                False,
            ),
        ),
        (
            (Action("limits off", "line 4", 4),),
            STATION,
            ListFinding(
                None,
                "limits off",
                "the limits were switched off, line 4, and not on again",
                line=4,
            ),
        ),
        (
            (limit("east", 40),),
            STATION,
            ListFinding(
                None,
                "limits.east",
                "the east limit was sent at count 40, line 3, the file has 45 (+5)",
                line=3,
            ),
        ),
        (
            (limit("east", 45),),
            STATION,
            ListFinding(
                None,
                "limits.west",
                "the west limit 985 of the file was not set in the log",
                False,
            ),
        ),
        (
            (limit("west", None),),
            STATION,
            ListFinding(
                None,
                "limits.west",
                "the west limit was sent, line 3, with no count seen: the file's 985 is not proved",
                False,
                3,
            ),
        ),
        (
            (limit("west", 985),),
            STATION.model_copy(update={"limits": None}),
            ListFinding(
                None,
                "limits.west",
                "the west limit was sent at count 985, line 3; the file has none",
                line=3,
            ),
        ),
        (
            (end_at("west", 1030, 4), end_at("west", 1034, 9)),
            STATION,
            ListFinding(
                None,
                "counts lost",
                "the west end was met at 1030, line 4, and at 1034, line 9: counts were lost"
                " between, or it stopped for another reason",
                line=9,
            ),
        ),
        (
            (end_at("west", 1034),),
            ENDS,
            ListFinding(
                None,
                "ends.west",
                "the west end was met at 1034, line 4; the file says 1030: counts were lost since,"
                " or it stopped for another reason",
                line=4,
            ),
        ),
        (
            (Action("restart", "line 3", 3),),
            STATION,
            ListFinding(
                None,
                "adapter restarted",
                "the adapter restarted, line 3: counts before and after may not be the same",
                line=3,
            ),
        ),
        (
            (Action("reference lost", "line 4", 4),),
            STATION,
            ListFinding(
                None,
                "reference lost",
                "the positioner said, line 4, that its position reference is lost",
                line=4,
            ),
        ),
    ],
)
def test_each_difference_has_its_sentence(
    actions: tuple[Action, ...], station: Station, finding: ListFinding
) -> None:
    assert finding in found(*actions, station=station)


@pytest.mark.parametrize(
    ("actions", "station"),
    [
        ((end_at("west", 1030, 4), end_at("west", 1033, 9)), STATION),
        ((end_at("west", 1030, 4), end_at("west", None, 6), end_at("west", 1033, 9)), STATION),
        ((end_at("east", 0, 4), end_at("west", 1030, 9)), ENDS),
        ((end_at("west", 1027),), ENDS),
        ((end_at("west", None),), ENDS),
        (went(7, 484), STATION),
        (went(7, 476), STATION),
        (went(9, 570), STATION),  # the file has no count of it
        ((*went(0, 480),), STATION),  # the reference is no position of the list
        ((went(7, 520)[0], Action("drive", "line 9"), went(7, 520)[1]), STATION),
        ((went(7, 520)[0], *went(0, 520)), STATION),
        ((went(7, 480)[0], *went(7, 480), Action("rest", "line 12", 12, count=700)), STATION),
        ((RESET, limit("east", 45), limit("west", 985))[1:], STATION),
    ],
)
def test_what_coast_and_backlash_leave_is_no_difference(
    actions: tuple[Action, ...], station: Station
) -> None:
    assert differs(*actions, station=station) == []


def test_messages_that_were_not_read_are_counted() -> None:
    def unread(messages: int) -> list[str]:
        notes = [f for f in found(unread=messages) if not f.grave]
        return [f.detail for f in notes if f.code == "unread"]

    assert unread(0) == []
    assert unread(1) == ["1 message could not be read whole, so what they said is not in this"]
    assert unread(2) == ["2 messages could not be read whole, so what they said is not in this"]


def test_a_place_stored_anew_forgets_an_earlier_arrival() -> None:
    assert differs(*went(7, 492), store(7, 480)) == []


def test_a_recount_moves_arrivals_limits_and_ends_as_well() -> None:
    recount = Action("recount", "line 12", 12, count=100, new_count=115)
    lost = Action("recount", "line 12", 12, new_count=115)
    before = (*went(7, 465), limit("east", 30), limit("west", 970), end_at("east", -15))
    assert differs(*before, station=ENDS) != []
    assert differs(*before, recount, end_at("east", 0, 14), station=ENDS) == []
    assert differs(*before, recount, end_at("east", 15, 14), station=ENDS) == [
        (None, "counts lost"),
        (None, "ends.east"),
    ]
    assert differs(*before, lost, end_at("east", 2, 14), station=ENDS) == []


def test_a_reset_leaves_limits_that_are_compared_and_a_list_in_doubt() -> None:
    actions = (limit("east", 45), limit("west", 985), store(1, 94), RESET, store(7, 480))
    assert differs(*actions) == [(None, "reset")]
    assert [(f.number, f.code) for f in found(*actions) if not f.grave] == [(1, "not proved")]


def test_findings_come_by_list_then_by_number() -> None:
    actions = (store(30, 500), store(7, 471), limit("east", 40), Action("restart", "line 1"))
    codes = [(f.number, f.code) for f in found(*actions)]
    assert codes == [
        (None, "adapter restarted"),
        (None, "limits.east"),
        (None, "limits.west"),
        (1, "not proved"),
        (7, "count"),
        (30, "not in the file"),
    ]
