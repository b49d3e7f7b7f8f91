"""A station with new readings after its counts went wrong: what happened, and its correction."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.errors import BadInput
from bridge.station.model import LinearMount, Station
from sim.counts.predict import predict
from sim.lists.causes import ArcPlace
from sim.lists.correction import Correction, correct
from sim.lists.shift import Diagnosis, diagnose
from sim.sky.mount import hour_angle_deg
from sim.station_rig import ends_of, site_of

SIDES = ("east", "west")
MOST_STROKES = 2  # strokes by which a reading may move: another sensor may count twice; judgement


@dataclass(frozen=True, slots=True)
class EndReading:
    """An end of the travel: what it read before, None where only the file can tell, and now."""

    before: int | None
    now: int


@dataclass(frozen=True, slots=True)
class ShiftReport:
    """A station with new readings, its diagnosis and correction, and notes on what was assumed."""

    station: Station
    diagnosis: Diagnosis
    correction: Correction
    notes: tuple[str, ...]


def report_shift(
    station: Station, repeaked: dict[int, int], ends: dict[str, EndReading]
) -> ShiftReport:
    """Diagnose new readings of satellites and ends against the list.

    `repeaked` holds counts by position number, `ends` readings by side. Raises BadInput for
    readings that cannot be used, YardError for a station that cannot be predicted.
    """
    if not repeaked and not ends:
        raise BadInput(
            "no new readings: give satellites peaked again as NUMBER=COUNT and an end as"
            " east=BEFORE:NOW, such as 7=490 13=760 east=0:10"
        )
    if not any(row.count is not None for row in station.position):
        raise BadInput("no position is taught, so there is nothing that could have shifted")
    places = _satellites(station, repeaked)
    fit = predict(station).fit
    now: dict[int | str, float] = {number: float(count) for number, count in repeaked.items()}
    now |= {side: float(end.now) for side, end in ends.items()}
    notes: list[str] = []
    for side in SIDES:
        places.append(ArcPlace(side, side, _end_before(station, side, ends.get(side), notes)))
    _refuse_far(station, places, now)
    diagnosis = diagnose(places, now, fit, site_of(station))
    return ShiftReport(station, diagnosis, correct(station, diagnosis, len(ends)), tuple(notes))


def _satellites(station: Station, repeaked: dict[int, int]) -> list[ArcPlace]:
    """The satellites that can be read again. BadInput for one read again that cannot."""
    rows = {row.number: row for row in station.position}
    for number in repeaked:
        row = rows.get(number)
        if row is None:
            raise BadInput(
                f"no position {number} in the station file; it has"
                f" {', '.join(str(known) for known in rows)}"
            )
        if row.count is None:
            raise BadInput(
                f"position {number} ({row.name}) was never taught, so its new count tells no shift;"
                " re-peak a taught one"
            )
        if row.longitude_deg is None:
            raise BadInput(
                f"position {number} ({row.name}) has no longitude_deg, so its place on the arc is"
                " not known; add it"
            )
    site = site_of(station)
    return [
        ArcPlace(row.number, row.name, float(row.count), hour_angle_deg(site, row.longitude_deg))
        for row in station.position
        if row.count is not None and row.longitude_deg is not None
    ]


def _refuse_far(station: Station, places: list[ArcPlace], now: dict[int | str, float]) -> None:
    """Raises BadInput for a reading that no actuator could bring, such as one mistyped."""
    if not isinstance(station.mount, LinearMount):
        return
    most = round(MOST_STROKES * station.mount.stroke_counts)
    for place in places:
        moved = now.get(place.key, place.before) - place.before
        if abs(moved) > most:
            raise BadInput(
                f"{place.key}={now[place.key]:.0f} is {moved:+.0f} from {place.before:.0f}, where"
                f" {place.label} was before; {MOST_STROKES} strokes, {most} counts, are the most"
                " that can have happened, so read it again"
            )


def _end_before(station: Station, side: str, end: EndReading | None, notes: list[str]) -> float:
    """What an end read before: as given, else as the file has it, else as a mount starts.

    Where the end was not read again, its limit stands in for it. Raises BadInput where an end was
    read and nothing tells what it read before.
    """
    known = ends_of(station).get(side)
    if end is None:
        if known is None and station.limits is not None:
            known = getattr(station.limits, side)
        return 0.0 if known is None else float(known)
    if end.before is not None:
        if known is not None and known != end.before:
            notes.append(
                f"the {side} end is taken to have read {end.before}, as given; the file has {known}"
            )
        return float(end.before)
    if known is not None:
        return float(known)
    if side == "east" and isinstance(station.mount, LinearMount):
        notes.append(
            "the east end is taken to have read 0, where a linear mount's counter starts; write"
            f" east=BEFORE:{end.now} if it read anything else"
        )
        return 0.0
    raise BadInput(
        f"{side}={end.now} says what the {side} end reads now, and the station file does not say"
        f" what it read before; write {side}=BEFORE:{end.now}, from the commissioning record, or"
        f" put {side} under [ends] in the file"
    )
