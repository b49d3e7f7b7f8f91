"""What a station's list says with any number of taught satellites, and what it cannot say."""

from __future__ import annotations

from datetime import date

import pytest

from bridge.errors import YardError
from bridge.station.model import (
    Controller,
    LinearMount,
    Position,
    SiteTable,
    SoftLimits,
    Station,
    WormMount,
)
from sim.counts.predict import PredictedPosition, Prediction, predict
from sim.sky.belt import Site
from sim.sky.mount import hour_angle_deg

# The demo list (invented); its counts were computed from the linkage apart from this program.
LIST = {
    "Alder": (41.2, 94), "Birch": (35.4, 181), "Cedar": (30.2, 257), "Dogwood": (25.1, 331),
    "Elm": (21.9, 376), "Fir": (17.3, 440), "Gorse": (14.3, 480), "Hazel": (10.4, 532),
    "Ivy": (7.4, 570), "Juniper": (4.3, 609), "Larch": (0.6, 653), "Maple": (-3.4, 700),
    "Nettle": (-7.9, 750), "Oak": (-13.1, 804), "Pine": (-18.6, 857), "Rowan": (-28.7, 942),
}  # fmt: skip
MOUNT = LinearMount(
    kind="linear",
    frame_pivot_mm=520,
    dish_pivot_mm=430,
    retracted_mm=350,
    stroke_mm=560,
    counts_per_mm=1.88976,
)
YARD = SiteTable(name="Larkmere Test Yard", latitude_deg=44.6, longitude_deg=3.9, height_m=210)


def station(
    *taught: str,
    mount: LinearMount | WormMount | None = MOUNT,
    counts: dict[str, int] | None = None,
    days: dict[str, date] | None = None,
    site: SiteTable = YARD,
    approach: str | None = None,
) -> Station:
    """The demo list with only these taught ("*": all), some at other counts."""
    return Station(
        station=site,
        mount=mount,
        positioner=Controller.model_validate({"approach": approach}),
        position=tuple(
            Position(
                number=number,
                name=name,
                longitude_deg=longitude,
                count=(counts or {}).get(name, count) if name in taught or "*" in taught else None,
                peaked=(days or {}).get(name),
            )
            for number, (name, (longitude, count)) in enumerate(LIST.items(), 1)
        ),
    )


def row(found: Prediction, name: str) -> PredictedPosition:
    return next(row for row in found.rows if row.name == name)


def test_three_peaks_give_the_whole_list() -> None:
    found = predict(station("Alder", "Ivy", "Rowan"))
    assert found.fit.determined[:2] == ("offset", "scale")
    for name, (_, count) in LIST.items():
        told = row(found, name)
        assert told.count == pytest.approx(count, abs=1.0)
        assert told.low is not None
        assert told.high is not None
        assert told.low < count < told.high
    assert not found.outliers
    assert found.trusted


def test_one_peak_tells_the_offset_and_says_so() -> None:
    found = predict(station("Ivy", counts={"Ivy": 670}))
    assert found.fit.determined == ("offset",)
    alder, hazel = row(found, "Alder"), row(found, "Hazel")
    assert alder.count == pytest.approx(194, abs=1.5)
    assert alder.high is not None
    assert alder.low is not None
    assert hazel.high is not None
    assert hazel.low is not None
    assert alder.high - alder.low > 3 * (hazel.high - hazel.low)
    assert row(found, "Ivy").residual is None
    assert any("offset only" in note for note in found.notes)


def test_nothing_taught_leaves_the_tape_measure() -> None:
    found = predict(station())
    told = row(found, "Ivy")
    assert told.count == pytest.approx(570, abs=1.0)
    assert told.high is not None
    assert told.low is not None
    assert told.high - told.low > 40
    assert any("nothing is taught" in note for note in found.notes)


def test_two_peaks_tell_offset_and_scale() -> None:
    found = predict(station("Alder", "Rowan"))
    assert found.fit.determined == ("offset", "scale")
    assert any("check neither" in note for note in found.notes)
    held = row(found, "Alder")
    assert held.residual is not None
    assert held.residual_sd is not None
    assert held.residual_sd > 4.0


@pytest.mark.parametrize("taught", [(), ("Ivy",)])
def test_without_mount_one_peak_says_nothing(taught: tuple[str, ...]) -> None:
    with pytest.raises(YardError, match=r"no \[mount\] say nothing"):
        predict(station(*taught, mount=None))


def test_without_mount_five_peaks_give_a_wider_band() -> None:
    taught = ("Alder", "Dogwood", "Ivy", "Maple", "Rowan")
    bare, measured = predict(station(*taught, mount=None)), predict(station(*taught))
    for name, (_, count) in LIST.items():
        told, better = row(bare, name), row(measured, name)
        assert told.count == pytest.approx(count, abs=1.5)
        assert told.low is not None
        assert told.high is not None
        assert better.low is not None
        assert better.high is not None
        assert told.low <= count <= told.high
        assert told.high - told.low > better.high - better.low
    assert any("no [mount]" in note for note in bare.notes)


@pytest.mark.parametrize("latitude_deg", [52.0, -52.0])
def test_worm_mounts_in_both_hemispheres(latitude_deg: float) -> None:
    ground = Site(latitude_deg, 3.9)
    counts = {
        name: round(1200 + 20 * hour_angle_deg(ground, longitude))
        for name, (longitude, _) in LIST.items()
    }
    found = predict(
        station(
            "Cedar",
            "Oak",
            mount=WormMount(kind="worm", counts_per_deg=20, noon_count=1150),
            counts=counts,
            site=SiteTable(latitude_deg=latitude_deg, longitude_deg=3.9),
        )
    )
    for name, count in counts.items():
        assert row(found, name).count == pytest.approx(count, abs=1.5)


def test_counts_grow_west_in_the_south_too() -> None:
    site = SiteTable(latitude_deg=-44.6, longitude_deg=3.9, height_m=210)
    found = predict(station("Alder", "Ivy", "Rowan", site=site))
    counts = [told.count for told in found.rows]
    assert counts == sorted(counts)
    assert row(found, "Elm").count == pytest.approx(376, abs=1.0)  # mirrored, the belt is the same


def test_twice_the_counts_are_told_from_a_stretch() -> None:
    # One or both edges of each magnet counted: the factor-of-two trap, common practice.
    both = {name: 2 * count for name, (_, count) in LIST.items()}
    found = predict(station("Alder", "Ivy", "Rowan", counts=both))
    assert any("twice the counts_per_mm" in note for note in found.notes)
    assert row(found, "Elm").count == pytest.approx(752, abs=2.0)
    assert not found.outliers


def test_two_peaks_are_enough_to_tell_twice_the_counts() -> None:
    found = predict(station("Alder", "Rowan", counts={"Alder": 188, "Rowan": 1884}))
    assert any("twice the counts_per_mm" in note for note in found.notes)
    assert row(found, "Elm").count == pytest.approx(752, abs=3.0)


def test_counts_that_fall_toward_the_west_are_refused() -> None:
    falling = {name: 1000 - count for name, (_, count) in LIST.items()}
    with pytest.raises(YardError, match="counts grow west"):
        predict(station("Alder", "Ivy", "Rowan", counts=falling))


def test_an_empty_list_is_refused() -> None:
    with pytest.raises(YardError, match="no \\[\\[position\\]\\]"):
        predict(Station(station=YARD, mount=MOUNT))


def test_a_position_without_longitude_is_kept_and_left_blank() -> None:
    base = station("Alder", "Ivy", "Rowan")
    more = (*base.position, Position(number=40, name="Spindle", count=333))
    found = predict(base.model_copy(update={"position": more}))
    told = row(found, "Spindle")
    assert (told.count, told.low, told.note) == (None, None, "no longitude")
    assert any("40 Spindle is taught but has no longitude_deg" in note for note in found.notes)
    assert len(found.fit.peaks) == 3


def test_a_peak_below_the_horizon_is_left_out() -> None:
    base = station("Alder", "Ivy", "Rowan")
    more = (*base.position, Position(number=40, name="Spindle", longitude_deg=-110, count=333))
    found = predict(base.model_copy(update={"position": more}))
    assert any("below the horizon" in note for note in found.notes)
    assert len(found.fit.peaks) == 3
    assert not found.outliers


def test_what_the_dish_cannot_reach_is_marked() -> None:
    base = station("Alder", "Ivy", "Rowan").model_copy(
        update={"limits": SoftLimits(east=100, west=900)}
    )
    low = tuple(
        Position(number=n, name=name, longitude_deg=longitude)
        for n, name, longitude in ((41, "Sorrel", 52.0), (42, "Tansy", 68.0), (43, "Yarrow", 84.0))
    )
    found = predict(base.model_copy(update={"position": (*base.position, *low)}))
    assert row(found, "Alder").note == "past soft limit"
    assert row(found, "Rowan").note == "past soft limit"
    assert row(found, "Sorrel").note == "beyond stroke"
    assert row(found, "Tansy").note == "beyond stroke"
    assert row(found, "Yarrow").note == "below horizon"
    assert row(found, "Elm").note == ""


def test_a_peak_on_its_neighbour_is_named_and_set_aside() -> None:
    taught = ("Alder", "Fir", "Ivy", "Rowan")
    found = predict(station(*taught, counts={"Fir": 376}))
    (outlier,) = found.outliers
    assert (outlier.number, outlier.code) == (6, "neighbour")
    assert "neighbour 5 Elm" in outlier.explanation
    assert outlier.off_counts == pytest.approx(-64, abs=1.5)
    assert row(found, "Fir").count == pytest.approx(440, abs=1.0)
    assert row(found, "Fir").residual == pytest.approx(-64, abs=1.5)


def test_counts_lost_between_two_days_are_told_from_single_mistakes() -> None:
    early = list(LIST)[:7]
    days = {name: date(2026, 5, 4) if name in early else date(2026, 6, 10) for name in LIST}
    moved = {name: LIST[name][1] + 12 for name in early}
    found = predict(station("*", counts=moved, days=days))
    assert [outlier.number for outlier in found.outliers] == [1, 2, 3, 4, 5, 6, 7]
    assert {outlier.code for outlier in found.outliers} == {"lost counts"}
    assert row(found, "Alder").count == pytest.approx(94, abs=2.0)  # as the counter reads now


def test_without_days_a_step_along_the_arc_is_told() -> None:
    moved = {name: LIST[name][1] + 15 for name in list(LIST)[:5]}
    found = predict(station("*", counts=moved))
    assert [outlier.number for outlier in found.outliers] == [1, 2, 3, 4, 5]
    assert {outlier.code for outlier in found.outliers} == {"lost on the way"}


@pytest.mark.parametrize(("approach", "named"), [("west", True), ("east", False)])
def test_the_other_side_has_a_sign_where_the_approach_is_known(approach: str, named: bool) -> None:
    # Arriving westward takes the slack up: the same place met eastward reads lower by it.
    found = predict(station("*", counts={"Ivy": 566}, approach=approach))
    told = {outlier.number: outlier.code for outlier in found.outliers}
    assert (told.get(9) == "other side") is named


def test_peaks_that_contradict_each_other_are_not_trusted() -> None:
    # Two peaks, one on its neighbour: something is wrong, and nothing tells which.
    found = predict(station("Alder", "Rowan", counts={"Rowan": 857}))
    assert not found.trusted
    assert not found.outliers
    assert any("which is wrong cannot be told" in note for note in found.notes)


def test_peaks_found_badly_widen_the_bands_and_say_so() -> None:
    # Deviations of about three counts, alternating so that no story fits them better.
    moved = {
        name: count + (3, -3, 2, -2)[n % 4] for n, (name, (_, count)) in enumerate(LIST.items())
    }
    good, bad = predict(station("*")), predict(station("*", counts=moved))
    assert any("scatter by about 2.5 counts" in note for note in bad.notes)
    assert not any("scatter" in note for note in good.notes)
    assert not bad.outliers
    for right, wrong in zip(good.rows, bad.rows, strict=True):
        assert right.low is not None
        assert right.high is not None
        assert wrong.low is not None
        assert wrong.high is not None
        assert wrong.high - wrong.low > 1.5 * (right.high - right.low)


def test_arriving_from_either_side_is_told() -> None:
    found = predict(station("Alder", "Ivy", "Rowan", approach="either"))
    assert any("from either side" in note for note in found.notes)


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg"), [(0.0, 100.5), (-18.0, 179.9), (78.0, 10.0)]
)
def test_sites_at_the_edges_of_the_map(latitude_deg: float, longitude_deg: float) -> None:
    ground = Site(latitude_deg, longitude_deg)
    rows = []
    for number, ahead in enumerate((-20.0, -9.0, -2.0, 0.0, 3.0, 11.0, 19.0), 1):
        longitude = (longitude_deg + ahead + 180.0) % 360.0 - 180.0
        count = round(1200 + 20 * hour_angle_deg(ground, longitude))
        taught = count if number in (1, 4, 7) else None
        rows.append(
            Position(number=number, name=f"S{number}", longitude_deg=longitude, count=taught)
        )
    found = predict(
        Station(
            station=SiteTable(latitude_deg=latitude_deg, longitude_deg=longitude_deg),
            mount=WormMount(kind="worm", counts_per_deg=20, noon_count=1150),
            position=tuple(rows),
        )
    )
    for told in found.rows:
        assert told.longitude_deg is not None
        assert told.count == pytest.approx(
            1200 + 20 * hour_angle_deg(ground, told.longitude_deg), abs=1.2
        )
    assert not found.outliers


NOTHING_TAUGHT = (
    "nothing is taught: these are the counts of the measured geometry if the counter reads 0 with"
    " the actuator retracted; teach one satellite for the offset"
)
WORM_UNTAUGHT = (
    "nothing is taught: these are the counts of the file's noon_count and counts_per_deg; teach one"
    " satellite for the offset"
)
ONE_TAUGHT = (
    "one peak tells the offset only, and nothing checks it; far from it the tape measure decides,"
    " so teach another on the other side of the arc"
)
TWO_TAUGHT = "two peaks tell offset and scale, and check neither; a third would"


def test_notes_say_what_so_many_peaks_can_tell() -> None:
    worm = WormMount(kind="worm", counts_per_deg=20, noon_count=1150)
    assert predict(station()).notes == (NOTHING_TAUGHT,)
    assert predict(station(mount=worm)).notes == (WORM_UNTAUGHT,)
    assert predict(station("Ivy")).notes == (ONE_TAUGHT,)
    assert predict(station("Alder", "Rowan")).notes == (TWO_TAUGHT,)
    assert predict(station("Alder", "Ivy", "Rowan")).notes == ()


def test_residuals_need_another_peak_with_a_mount_and_two_more_without() -> None:
    assert row(predict(station("Ivy")), "Ivy").residual is None
    assert row(predict(station("Ivy", "Elm")), "Ivy").residual is not None
    assert row(predict(station("Alder", "Rowan", mount=None)), "Alder").residual is None
    assert row(predict(station("Alder", "Ivy", "Rowan", mount=None)), "Ivy").residual is not None
    assert row(predict(station("Alder", "Ivy", "Rowan")), "Elm").residual is None


def test_two_counts_that_fall_toward_the_west_are_refused() -> None:
    with pytest.raises(YardError, match="1 Alder at 942 in the east, 16 Rowan at 94 in the west"):
        predict(station("Alder", "Rowan", counts={"Alder": 942, "Rowan": 94}))


def test_a_fall_within_the_noise_is_no_reversed_list() -> None:
    near = {"Elm": 400, "Dogwood": 420}
    assert predict(station("Elm", "Dogwood", counts=near)) is not None
    with pytest.raises(YardError, match="counts grow west"):
        predict(station("Elm", "Dogwood", counts={"Elm": 399, "Dogwood": 420}))


def test_a_position_is_marked_by_its_median_and_not_by_its_band() -> None:
    base = station("Alder", "Ivy", "Rowan")
    elm = row(predict(base), "Elm")
    assert elm.low is not None
    assert elm.count is not None
    assert elm.high is not None
    for limits, note in (
        (SoftLimits(east=int(elm.count), west=985), ""),
        (SoftLimits(east=int(elm.count) + 1, west=985), "past soft limit"),
        (SoftLimits(east=45, west=int(elm.count) + 1), ""),
        (SoftLimits(east=45, west=int(elm.count)), "past soft limit"),
    ):
        found = predict(base.model_copy(update={"limits": limits}))
        assert row(found, "Elm").note == note
    assert elm.low < int(elm.count) < int(elm.count) + 1 < elm.high


def test_past_dead_centre_there_is_no_count() -> None:
    site = SiteTable(latitude_deg=0.5, longitude_deg=0.0)
    folded = LinearMount(
        kind="linear", frame_pivot_mm=520, dish_pivot_mm=430, retracted_mm=350, stroke_mm=400,
        counts_per_mm=1.88976, noon_angle_deg=55,
    )  # fmt: skip
    base = Station(
        station=site,
        mount=folded,
        position=(
            Position(number=1, name="Alder", longitude_deg=50.0),
            Position(number=2, name="Birch", longitude_deg=46.0),
        ),
    )
    # hour angles of about -58 and -54 deg: folded at -55
    alder, birch = predict(base).rows
    assert (alder.count, alder.low, alder.high, alder.note) == (
        None,
        None,
        None,
        "past dead centre",
    )
    assert birch.count is not None


@pytest.mark.parametrize(("longitude_deg", "used"), [(-76.5, True), (-77.0, False)])
def test_a_taught_satellite_a_little_under_the_horizon_is_still_used(
    longitude_deg: float, used: bool
) -> None:
    # Larkmere's horizon cuts the belt 73.9 deg west (computed): 1.9 and 2.2 deg below it.
    base = station("Alder", "Ivy", "Rowan")
    more = (
        *base.position,
        Position(number=40, name="Spindle", longitude_deg=longitude_deg, count=1040),
    )
    found = predict(base.model_copy(update={"position": more}))
    assert any("40 Spindle" in note for note in found.notes) is not used
