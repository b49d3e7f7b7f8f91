"""What is wrong, or odd, in a position list: found by arithmetic, without a dish."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from statistics import median

from bridge.errors import BadInput, YardError
from bridge.station.model import LinearMount, Position, Station
from bridge.textfile.checked import check
from bridge.textfile.mistakes import dotted
from bridge.trade_figures import MANY_POSITIONS
from sim.lists.finding import ListFinding
from sim.lists.survey import Satellite, survey
from sim.sky.belt import wrap_longitude
from sim.sky.polarization import fold_tilt
from sim.station_rig import ends_of, travel_of

END_COUNTS = 5  # counts a soft limit stays inside an end at least (common practice, 5 to 10)
APART_DEG = 3.0  # deg that trims may bring two polarities from square, 26 dB (common practice)
SHIFT_COUNTS = 10  # counts off as a whole from which a list looks shifted (judgement)
SAME_DEG = 0.3  # deg of longitude within which satellites share a position (judgement)
MILD = ("other side",)  # outliers that are off by no more than backlash


@dataclass(frozen=True, slots=True)
class Checkup:
    """All findings in a file, how many rows its list has, and their names by number."""

    findings: tuple[ListFinding, ...]
    rows: int
    names: Mapping[int, str]


def check_text(text: str, where: str) -> Checkup:
    """Findings in the text of a station file, also in rows that cannot be taken.

    Raises YardError with every mistake where anything but a row of the list is wrong.
    """
    checked = check(text, where, Station)
    if checked.syntax or any(len(m.path) < 2 or m.path[0] != "position" for m in checked.mistakes):
        raise YardError("\n".join(checked.messages()))
    rows = checked.data.get("position", [])
    rows = rows if isinstance(rows, list) else []
    findings = []
    wrong: set[int] = set()
    for mistake in checked.mistakes:
        index = int(mistake.path[1])
        wrong.add(index)
        row = rows[index]
        number = row.get("number") if isinstance(row, Mapping) else None
        line = checked.text.line(mistake.path)
        key = dotted(mistake.path[2:])
        findings.append(
            ListFinding(
                number if isinstance(number, int) else None,
                mistake.code,
                f"line {line}: {key}: {mistake.message}"
                if key
                else f"line {line}: {mistake.message}",
            )
        )
    sound = [row for index, row in enumerate(rows) if index not in wrong]
    station = Station.model_validate({**checked.data, "position": sound})
    names = _names(rows) | {row.number: row.name for row in station.position}
    return Checkup((*findings, *check_list(station)), len(rows), names)


def _names(rows: list[object]) -> dict[int, str]:
    """Names by number, of rows that may be wrong in any way."""
    pairs = [(r.get("number"), r.get("name")) for r in rows if isinstance(r, Mapping)]
    return {n: name for n, name in pairs if isinstance(n, int) and isinstance(name, str)}


def check_list(station: Station) -> list[ListFinding]:
    """Findings in a list whose rows are well formed, by number, the list as a whole first."""
    plan = survey(station)
    found = [
        *_shared(station.position),
        *_places(plan.satellites),
        *_travel(station, plan.satellites),
        *_unpeaked(station.position),
        *_polarities(station.position),
    ]
    outliers = list(_outliers(station))
    named = {finding.number for finding in outliers if finding.grave}
    found += outliers
    found += [f for f in _order(plan.satellites) if f.number not in named]
    found += _shifted(plan.satellites)
    return sorted(found, key=lambda finding: (finding.number or 0, not finding.grave))


def _shared(rows: tuple[Position, ...]) -> Iterator[ListFinding]:
    """Names, longitudes and counts that two rows share, and numbers that few positioners hold."""
    for index, row in enumerate(rows):
        for other in rows[:index]:
            near = (
                row.longitude_deg is not None
                and other.longitude_deg is not None
                and abs(wrap_longitude(row.longitude_deg - other.longitude_deg)) < SAME_DEG
            )
            whose = f"as number {other.number} ({other.name})"
            if row.name == other.name:
                yield ListFinding(row.number, "same name", f"is called {row.name} {whose}", False)
            if near:
                detail = f"stands at the same longitude, {row.longitude_deg:g} deg, {whose}"
                yield ListFinding(row.number, "same longitude", detail, False)
            if row.count is not None and row.count == other.count and not near:
                detail = f"has the same count, {row.count}, {whose}; one of them is taught wrong"
                yield ListFinding(row.number, "same count", detail)
        if row.number > MANY_POSITIONS:
            detail = f"many positioners hold only {MANY_POSITIONS} positions"
            yield ListFinding(row.number, "many", detail, False)


def _places(rows: Iterable[Satellite]) -> Iterator[ListFinding]:
    """Satellites that cannot be placed, or are hidden."""
    for row in rows:
        if row.longitude_deg is None:
            detail = "has no longitude_deg, so its place cannot be checked; add it"
            yield ListFinding(row.number, "no longitude", detail, False)
        elif row.hidden_by == "horizon":
            detail = (
                f"stands at {row.elevation_deg:.1f} deg, under the horizon; check longitude_deg"
                " (east positive)"
            )
            yield ListFinding(row.number, "horizon", detail)
        elif row.hidden_by == "obstacle":
            detail = (
                f"is hidden by an obstacle at azimuth {row.azimuth_deg or 0:.1f}, elevation"
                f" {row.elevation_deg:.1f} deg"
            )
            yield ListFinding(row.number, "obstacle", detail, False)


def _travel(station: Station, rows: Iterable[Satellite]) -> Iterator[ListFinding]:
    """Limits too close to the ends, and counts that the dish cannot reach."""
    limits, known = station.limits, ends_of(station)
    ends: dict[str, float] = dict(known)
    if isinstance(station.mount, LinearMount):
        ends = {"east": 0.0, "west": station.mount.stroke_counts} | ends
    if limits is not None:
        for side, limit, way in (("east", limits.east, 1), ("west", limits.west, -1)):
            inside = (limit - ends[side]) * way if side in ends else END_COUNTS
            what = f"{side} end, {known[side]}," if side in known else "end of the stroke,"
            if inside < END_COUNTS:
                detail = (
                    f"the {side} soft limit {limit} is {inside:.0f} counts from the {what} usual"
                    f" are {END_COUNTS} or more, and three times the coast"
                )
                yield ListFinding(None, "limit at the end", detail, False)
    travel = travel_of(station)
    if travel is None:
        return
    kind = "soft limits" if limits is not None else "ends" if known else "stroke"
    code = {"soft limits": "outside limits", "ends": "outside ends", "stroke": "stroke"}[kind]
    low, high = round(travel[0]), round(travel[1])
    for row in rows:
        if row.taught is not None and (past := _past(row.taught, known)):
            detail = (
                f"count {row.taught} is past {past}: the dish cannot stand there; teach it again"
            )
            yield ListFinding(row.number, "outside ends", detail)
        elif row.taught is not None and not low <= row.taught <= high:
            yield ListFinding(
                row.number, code, f"count {row.taught} is outside the {kind}, {low} to {high}"
            )
        elif row.taught is None and row.within_limits is False and row.visible:
            at = "past the linkage" if row.count is None else f"near count {row.count}"
            detail = f"is expected {at}, outside the {kind}, {low} to {high}"
            yield ListFinding(row.number, "out of reach", detail, False)


def _past(count: int, ends: Mapping[str, int]) -> str:
    """The end that a count lies beyond, in words; empty where it lies beyond none."""
    if "east" in ends and count < ends["east"]:
        return f"the east end, which read {ends['east']}"
    if "west" in ends and count > ends["west"]:
        return f"the west end, which read {ends['west']}"
    return ""


def _unpeaked(rows: tuple[Position, ...]) -> Iterator[ListFinding]:
    """Positions never taught, or taught without a date."""
    for row in rows:
        if row.count is None:
            yield ListFinding(row.number, "not taught", "has no count; peak it and store it", False)
    undated = [row for row in rows if row.count is not None and row.peaked is None]
    if undated and len(undated) == len([row for row in rows if row.count is not None]):
        detail = "no taught position has a date in peaked, so none can be told from an old one"
        yield ListFinding(None, "undated", detail, False)
    else:
        for row in undated:
            detail = "is taught but has no date in peaked: perhaps never peaked"
            yield ListFinding(row.number, "undated", detail, False)


def _between_lines_deg(tilt_deg: float, other_deg: float) -> float:
    """Angle between two lines, 0 to 90 deg."""
    return abs(fold_tilt(tilt_deg - other_deg))


def _polarities(rows: tuple[Position, ...]) -> Iterator[ListFinding]:
    """Polarity offsets that are no pair, or swapped."""
    for row in rows:
        apart = _between_lines_deg(row.vertical_deg, row.horizontal_deg)
        offsets = f"horizontal_deg {row.horizontal_deg:g} and vertical_deg {row.vertical_deg:g}"
        alike = sum(
            _between_lines_deg(row.horizontal_deg, other.horizontal_deg) < 45.0 for other in rows
        )
        if apart < 45.0:
            detail = f"{offsets} are {apart:g} deg apart, which is no second polarity"
            yield ListFinding(row.number, "polarity", detail)
        elif 90.0 - apart > APART_DEG:
            detail = f"{offsets} are {apart:g} deg apart, usual are 90"
            yield ListFinding(row.number, "polarity", detail, False)
        if len(rows) >= 3 and alike * 2 < len(rows):
            detail = f"{offsets} are the other way round from most of the list: swapped?"
            yield ListFinding(row.number, "polarity swapped", detail)


def _outliers(station: Station) -> Iterator[ListFinding]:
    """Counts that do not fit the spacing of the others, with the likely reason of each."""
    from sim.counts.predict import predict  # noqa: PLC0415 - numpy, where there is something to fit

    taught = [row for row in station.position if None not in (row.count, row.longitude_deg)]
    if len(taught) < (2 if station.mount is not None else 3):
        return
    try:
        prediction = predict(station)
    except BadInput as error:
        yield ListFinding(None, "spacing", str(error))
        return
    for outlier in prediction.outliers:
        grave = outlier.sure and outlier.code not in MILD
        yield ListFinding(outlier.number, outlier.code, outlier.explanation, grave)
    if not prediction.trusted and not prediction.outliers:
        detail = (
            "the spacing of the taught counts does not fit the belt, and no one count explains it"
        )
        yield ListFinding(None, "spacing", detail)


def _order(rows: Iterable[Satellite]) -> Iterator[ListFinding]:
    """Taught counts that do not grow west along the belt: the fewest whose removal mends it."""
    placed = [row for row in rows if row.taught is not None and row.visible]
    placed.sort(key=lambda row: row.hour_angle_deg or 0.0)
    in_order = _longest_rise([row.taught or 0 for row in placed])
    for index, row in enumerate(placed):
        if index in in_order:
            continue
        before = [placed[i] for i in in_order if i < index][-1:]
        after = [placed[i] for i in in_order if i > index][:1]
        beside = " and ".join(f"{r.taught} ({r.name})" for r in before + after)
        detail = f"count {row.taught} is out of order: its neighbours along the belt read {beside}"
        yield ListFinding(row.number, "order", detail)


def _longest_rise(counts: list[int]) -> list[int]:
    """Indices of a longest part that never falls (patience sorting).

    >>> _longest_rise([94, 257, 181, 331])
    [0, 2, 3]
    """
    tops: list[int] = []
    ends: list[int] = []  # index of the last member of the best part of each length
    previous: list[int | None] = []  # index of the member before each
    for index, count in enumerate(counts):
        at = bisect_right(tops, count)
        tops[at : at + 1] = [count]
        ends[at : at + 1] = [index]
        previous.append(ends[at - 1] if at else None)
    part: list[int] = []
    step: int | None = ends[-1] if ends else None
    while step is not None:
        part.append(step)
        step = previous[step]
    return part[::-1]


def _shifted(rows: Iterable[Satellite]) -> list[ListFinding]:
    """A list that lies off its geometry as a whole."""
    off = [row.taught - row.count for row in rows if None not in (row.taught, row.count)]  # type: ignore[operator]
    if len(off) < 2 or abs(middle := median(off)) < SHIFT_COUNTS:
        return []
    way = "west" if middle > 0 else "east"
    detail = (
        f"taught counts lie {abs(middle):g} counts {way} of the geometry on the whole: counts lost,"
        " a clamp slipped, or a length mismeasured; see positions shift"
    )
    return [ListFinding(None, "shifted", detail, False)]
