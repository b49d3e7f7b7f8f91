"""What is made of new readings after counts went wrong, and the proof asked for before writing."""

from __future__ import annotations

import pytest

from bridge.errors import BadInput
from bridge.station.model import (
    KnownEnds,
    LinearMount,
    Position,
    ReflectorTable,
    SiteTable,
    SoftLimits,
    Station,
)
from sim.lists.causes import ACTUATOR, LOST, NOTHING, ODD, SLIPPED, TWISTED, WRONG
from sim.lists.shift_report import EndReading, ShiftReport, report_shift

# The demo list (invented); its counts were computed from the linkage apart from this program.
LIST = {
    1: ("Alder", 41.2, 94), 4: ("Dogwood", 25.1, 331), 5: ("Elm", 21.9, 376),
    6: ("Fir", 17.3, 440), 9: ("Ivy", 7.4, 570), 10: ("Juniper", 4.3, 609),
    13: ("Nettle", -7.9, 750), 15: ("Pine", -18.6, 857), 16: ("Rowan", -28.7, 942),
}  # fmt: skip
STATION = Station(
    station=SiteTable(
        name="Larkmere Test Yard", latitude_deg=44.6, longitude_deg=3.9, height_m=210
    ),
    dish=ReflectorTable(diameter_m=1.2, frequency_ghz=12.0),
    mount=LinearMount(
        kind="linear",
        frame_pivot_mm=520,
        dish_pivot_mm=430,
        retracted_mm=350,
        stroke_mm=560,
        counts_per_mm=1.88976,
    ),
    limits=SoftLimits(east=45, west=985),
    position=tuple(
        Position(number=number, name=name, longitude_deg=longitude, count=count)
        for number, (name, longitude, count) in LIST.items()
    ),
)
EAST_STAYED, WEST_STAYED = {"east": EndReading(0, 0)}, {"west": EndReading(1000, 1000)}


def moved(moves: dict[int, int], ends: dict[str, EndReading] | None = None) -> ShiftReport:
    return report_shift(STATION, {n: LIST[n][2] + move for n, move in moves.items()}, ends or {})


def named(case: ShiftReport) -> str | None:
    return case.diagnosis.cause.name if case.diagnosis.cause else None


# The table of faults: all and both ends alike; satellites only; unequal by counts per degree;
# exactly one spacing off. Common practice.


def test_everything_shifted_alike_is_lost_counts() -> None:
    case = moved({4: 10, 13: 10}, {"east": EndReading(0, 10)})
    assert named(case) == LOST
    assert case.correction.after == {n: count + 10 for n, (_, _, count) in LIST.items()}
    assert case.correction.limits == (55, 995)
    assert case.correction.missing == ()
    cause = case.diagnosis.cause
    assert cause is not None
    assert {evidence.verdict for evidence in cause.evidence} == {"for"}
    slipped = next(weight for weight in case.diagnosis.estimates if weight.name == SLIPPED)
    assert [s.key for s in slipped.evidence if s.verdict == "against"] == ["east"]


def test_satellites_alone_shifted_is_a_slipped_clamp() -> None:
    # 5 mm at the clamp are 9.4 counts (computed: 5 x 48 / 25.4); here 8 mm, 15 counts.
    case = moved({1: 15, 10: 15, 16: 15}, EAST_STAYED | WEST_STAYED)
    assert named(case) == SLIPPED
    assert case.correction.after[9] == 585
    assert case.correction.limits is None  # the ends did not move, so the limits stay
    assert "about 7.9 mm" in case.correction.advice


def test_unequal_shift_with_the_ends_unmoved_is_a_twisted_pole() -> None:
    # One degree: about 11, 9 and 5 counts in the east, middle and west (computed, demo scenario).
    case = moved({1: 11, 10: 9, 16: 5}, EAST_STAYED | WEST_STAYED)
    assert named(case) == TWISTED
    cause = case.diagnosis.cause
    assert cause is not None
    assert abs(cause.amount) == pytest.approx(1.0, abs=0.15)
    assert "1 Alder (1.2 dB)" in case.correction.advice  # about 1.2 and 1.0 dB not recovered
    assert "16 Rowan (1.0 dB)" in case.correction.advice
    assert case.correction.limits is None


def test_one_spacing_off_is_the_wrong_satellite() -> None:
    case = moved({6: 376 - 440, 13: 0}, EAST_STAYED)
    assert named(case) == WRONG
    cause = case.diagnosis.cause
    assert cause is not None
    assert cause.detail == "6 Fir was re-peaked on its neighbour 5 Elm"
    assert case.correction.after == {n: count for n, (_, _, count) in LIST.items()}


def test_lost_counts_are_found_past_one_wrong_satellite() -> None:
    case = moved({6: 376 - 440 + 12, 1: 12, 16: 12}, {"east": EndReading(0, 12)})
    assert named(case) == LOST
    cause = case.diagnosis.cause
    assert cause is not None
    assert "Fir was re-peaked on its neighbour" in cause.detail
    assert case.correction.after[9] == 582
    assert case.correction.missing == ()  # the other two are proof enough


def test_in_proportion_to_the_count_is_a_new_actuator() -> None:
    ends = {"east": EndReading(0, 4), "west": EndReading(1000, 1090)}
    now = {n: round(LIST[n][2] * 1.1 - 20) for n in (1, 10, 16)}
    case = report_shift(STATION, now, ends)
    assert named(case) == ACTUATOR
    assert case.correction.after[9] == pytest.approx(570 * 1.1 - 20, abs=1)
    assert case.correction.missing == ()
    east, west = case.correction.limits or (0, 0)
    assert east == pytest.approx(4 + 45 * 1.1, abs=1)  # margins to the ends are kept
    assert west == pytest.approx(1090 - 15 * 1.1, abs=1)


def test_nothing_moved_is_nothing_wrong() -> None:
    case = moved({1: 0, 10: 1, 16: 0}, EAST_STAYED | WEST_STAYED)
    assert named(case) == NOTHING
    assert case.correction.after[9] == 570


@pytest.mark.parametrize("move", [10, -64, 40])
def test_one_reading_tells_nothing(move: int) -> None:
    case = moved({6: move})
    assert named(case) is None
    assert case.diagnosis.next_reading is not None


def test_peaks_without_an_end_cannot_part_lost_counts_from_a_clamp() -> None:
    case = moved({1: 10, 16: 10})
    assert named(case) is None
    assert {weight.name for weight in case.diagnosis.estimates[:2]} == {LOST, SLIPPED}
    decide = case.diagnosis.next_reading
    assert decide is not None
    assert decide.key in ("east", "west")
    assert "lost counts expects it +10" in decide.text
    assert "slipped clamp expects it +0" in decide.text
    assert any("no end was read" in reason for reason in case.correction.missing)


def test_readings_that_nothing_explains_are_not_explained() -> None:
    case = moved({1: 31, 4: -22, 10: 47, 16: -9}, {"east": EndReading(0, 18)})
    assert named(case) is None
    assert case.diagnosis.estimates[0].name == ODD


def test_writing_asks_for_the_other_side_of_the_arc() -> None:
    case = moved({1: 40, 4: 40}, {"east": EndReading(0, 40)})
    assert named(case) == LOST
    (reason,) = case.correction.missing
    assert "other side of the arc" in reason
    assert "16 Rowan" in reason
    assert "expects 982" in reason


def test_writing_asks_for_an_end() -> None:
    case = moved({1: 40, 10: 40, 16: 40})
    assert any("no end was read" in reason for reason in case.correction.missing)


def test_without_a_mount_the_list_itself_is_the_curve() -> None:
    bare = STATION.model_copy(update={"mount": None})
    now = {1: 94 + 11, 10: 609 + 9, 16: 942 + 5}
    case = report_shift(bare, now, EAST_STAYED | WEST_STAYED)
    assert named(case) == TWISTED


def test_the_east_end_of_a_linear_mount_is_taken_to_have_read_nought() -> None:
    case = moved({1: 10, 16: 10}, {"east": EndReading(None, 10)})
    assert named(case) == LOST
    assert any("taken to have read 0" in note for note in case.notes)


@pytest.mark.parametrize(
    ("again", "ends", "says"),
    [
        ({}, {}, "no new readings"),
        ({77: 5}, {}, "no position 77"),
        ({1: 100}, {"west": EndReading(None, 1010)}, "west=BEFORE:1010"),
        ({6: 9999}, {}, r"6=9999 is \+9559 from 440, where 6 Fir was before; 2 strokes, 2117"),
        ({}, {"west": EndReading(1000, -9000)}, "west=-9000 is -10000 from 1000, where west end"),
    ],
)
def test_readings_that_cannot_be_used_are_refused(
    again: dict[int, int], ends: dict[str, EndReading], says: str
) -> None:
    with pytest.raises(BadInput, match=says):
        report_shift(STATION, again, ends)


@pytest.mark.parametrize(
    ("change", "says"),
    [({"count": None}, "never taught"), ({"longitude_deg": None}, "no longitude_deg")],
)
def test_a_satellite_that_cannot_be_compared_is_refused(change: dict[str, None], says: str) -> None:
    first = STATION.position[0].model_copy(update=change)
    station = STATION.model_copy(update={"position": (first, *STATION.position[1:])})
    with pytest.raises(BadInput, match=says):
        report_shift(station, {1: 104}, {})


WITH_ENDS = STATION.model_copy(update={"ends": KnownEnds(east=0, west=1000)})


def test_the_file_tells_what_an_end_read_before() -> None:
    now = {1: 94 + 10, 16: 942 + 10}
    case = report_shift(WITH_ENDS, now, {"west": EndReading(None, 1010)})
    assert named(case) == LOST
    assert case.correction.ends == {"east": 10, "west": 1010}
    assert case.notes == ()


def test_an_end_of_the_file_stays_when_the_clamp_slipped() -> None:
    now = {1: 94 + 15, 10: 609 + 15, 16: 942 + 15}
    case = report_shift(
        WITH_ENDS, now, {"east": EndReading(None, 0), "west": EndReading(None, 1000)}
    )
    assert named(case) == SLIPPED
    assert case.correction.ends == {"east": 0, "west": 1000}


def test_what_an_end_read_before_may_be_given_and_goes_first() -> None:
    case = report_shift(WITH_ENDS, {1: 104, 16: 952}, {"west": EndReading(1003, 1013)})
    assert named(case) == LOST
    assert any("taken to have read 1003, as given; the file has 1000" in n for n in case.notes)


def test_one_reading_that_moved_speaks_for_no_amount() -> None:
    case = moved({1: 10})
    lost = next(weight for weight in case.diagnosis.estimates if weight.name == LOST)
    assert [evidence.verdict for evidence in lost.evidence] == ["open"]


def test_one_reading_that_agrees_is_nothing_wrong_on_its_side_of_the_arc() -> None:
    case = moved({1: 1})
    assert named(case) == NOTHING
    assert "re-peak one on the other as well" in case.correction.advice


@pytest.mark.parametrize("moves", [(1, -1, 1), (2, 0, -1), (-1, -2, 0)])
def test_readings_within_the_noise_of_peaking_are_nothing_wrong(moves: tuple[int, ...]) -> None:
    case = moved(dict(zip((1, 10, 16), moves, strict=True)), EAST_STAYED)
    assert named(case) == NOTHING
    assert "on the other" not in case.correction.advice


def test_a_small_shift_of_many_is_still_no_noise() -> None:
    # eight satellites and both ends 4 counts off: 4 deviations and more of their mean
    ends = {"east": EndReading(0, 4), "west": EndReading(1000, 1004)}
    case = moved(dict.fromkeys((1, 4, 5, 6, 9, 10, 13, 16), 4), ends)
    assert named(case) == LOST


# ---- what is asked for before a list is rewritten, word for word -----------------------------


def test_what_is_lacking_is_named_with_what_it_should_read() -> None:
    case = moved({1: 40, 4: 40})
    assert case.correction.missing[-1].startswith("no end was read: read one; ")
    assert case.correction.missing[-2] == (
        "no proof from the other side of the arc: re-peak 16 Rowan or one near it;"
        f" {case.diagnosis.estimates[0].name} expects 982 there"
    )
    first = case.diagnosis.estimates[0]
    assert (
        case.correction.missing[0]
        == f"{first.name} is only {first.probability:.0%} likely; 95% is needed"
    )


def test_two_fifths_of_the_arc_are_the_other_side() -> None:
    # hour angles -41.4 (Alder) to 36.3 (Rowan), printed for the yard: two fifths are 31.1 deg
    near = moved({1: 40, 6: 40}, {"east": EndReading(0, 40)})  # Fir at -15.0: 26.4 deg
    far = moved({1: 40, 9: 40}, {"east": EndReading(0, 40)})  # Ivy at -3.9: 37.5 deg
    assert [reason for reason in near.correction.missing if "other side" in reason]
    assert not [reason for reason in far.correction.missing if "other side" in reason]


def test_another_actuator_needs_three_peaks_and_both_ends() -> None:
    now = {n: round(LIST[n][2] * 1.1 - 20) for n in (1, 10, 16)}
    both = {"east": EndReading(0, -20), "west": EndReading(1000, 1080)}
    for satellites, sides, reasons in (
        ((1, 10, 16), both, []),
        ((1, 16), both, ["another actuator needs 3 satellites peaked again, there are 2"]),
        (
            (1, 10, 16), {"east": both["east"]},
            ["another actuator needs both ends read, before and now, for the limits"],
        ),
    ):  # fmt: skip
        case = report_shift(STATION, {n: now[n] for n in satellites}, sides)
        assert case.diagnosis.estimates[0].name == ACTUATOR
        asked = [r for r in case.correction.missing if r.startswith("another actuator")]
        assert asked == reasons


def test_a_reading_that_speaks_against_the_cause_stops_writing() -> None:
    case = moved({1: 40, 10: 40, 16: 40, 13: 34}, {"east": EndReading(0, 40)})
    assert named(case) == LOST
    assert case.correction.missing == (
        "a reading speaks against it: 13 Nettle moved +34, expected +40 ±3",
    )


def test_an_end_not_read_is_taken_to_stand_where_its_limit_does() -> None:
    # 10 lost counts: with no end read the west end is expected 10 past its limit's place
    case = moved({1: 10, 16: 10}, {"east": EndReading(0, 10)})
    places = {place.key: place.before for place in case.diagnosis.places}
    assert (places["east"], places["west"]) == (0.0, 985.0)
    bare = STATION.model_copy(update={"limits": None})
    case = report_shift(bare, {1: 104, 16: 952}, {"east": EndReading(0, 10)})
    assert {p.key: p.before for p in case.diagnosis.places}["west"] == 0.0
    assert case.correction.limits is None
    case = report_shift(WITH_ENDS, {1: 104, 16: 952}, {"east": EndReading(None, 10)})
    assert {p.key: p.before for p in case.diagnosis.places}["west"] == 1000.0


def test_only_one_taught_satellite_proves_nothing() -> None:
    one = STATION.model_copy(update={"position": STATION.position[:1]})
    case = report_shift(one, {1: 104}, {"east": EndReading(0, 10), "west": EndReading(1000, 1010)})
    assert any(
        reason
        == "only one satellite is taught, so nothing can prove a shift; store it anew by hand"
        for reason in case.correction.missing
    )


@pytest.mark.parametrize("move", [2117, -2117])
def test_two_strokes_are_the_most_that_can_have_happened(move: int) -> None:
    # 560 mm at 1.88976 counts a mm, twice: 2116.5 counts
    assert report_shift(STATION, {6: 440 + move}, {}) is not None
    with pytest.raises(BadInput, match="2 strokes, 2117 counts"):
        report_shift(STATION, {6: 440 + move + (1 if move > 0 else -1)}, {})


def test_advice_says_what_to_do_at_the_dish() -> None:
    lost = moved({4: 10, 13: 10}, {"east": EndReading(0, 10)})
    assert lost.correction.advice == (
        "find out why counts were lost before trusting the list again: sensor, its cable, or quick"
        " reversals"
    )
    slipped = moved({1: 15, 10: 15, 16: 15}, EAST_STAYED | WEST_STAYED)
    assert slipped.correction.advice == (
        "it slipped about 7.9 mm: tighten and mark the clamp; the dish now stands elsewhere at the"
        " same count, so drive to both ends in sight of it before trusting the limits"
    )
    twisted = moved({1: 11, 10: 9, 16: 5}, EAST_STAYED | WEST_STAYED)
    assert twisted.correction.advice.startswith(
        "turn the pole back and peak the list; no count recovers the level: the beam passes about"
    )
    wrong = moved({6: 376 - 440, 13: 0}, EAST_STAYED)
    assert wrong.correction.advice == (
        "6 Fir was re-peaked on its neighbour 5 Elm: the list is right, leave it; peak again"
    )
    open_case = moved({1: 10, 16: 10})
    assert open_case.correction.advice == (
        "take the deciding reading, arriving from the usual side"
    )
    actuator = {n: round(LIST[n][2] * 1.1 - 20) for n in (1, 10, 16)}
    ends = {"east": EndReading(0, 4), "west": EndReading(1000, 1090)}
    assert report_shift(STATION, actuator, ends).correction.advice == (
        "prove both limits at the dish, and correct counts_per_mm and retracted_mm in [mount]"
    )
    assert report_shift(STATION, actuator, {"east": ends["east"]}).correction.advice == (
        "set both limits again at the dish: another actuator ends elsewhere"
    )
