"""What to do once a cause is found: the list as it should read, and the proof still missing."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from bridge.errors import BadInput
from bridge.station.model import LinearMount, Station
from sim.counts.predict import predict
from sim.lists.causes import ACTUATOR, BOTH, LOST, NOTHING, SLIPPED, TWISTED, WRONG, Place
from sim.lists.shift import CauseEstimate, Diagnosis, call, diagnose
from sim.sky.belt import Site
from sim.sky.mount import hour_angle_deg, true_mount
from sim.station_rig import ends_of

PROVED = 0.95  # probability from which a list may be rewritten; judgement
FAR = 0.4  # share of the taught arc that the re-peaked satellites must span; judgement
WRITABLE = (LOST, SLIPPED, BOTH, ACTUATOR)
FARTHEST = 2  # strokes by which a reading may move: another sensor may count twice; judgement
NOISE = 3  # counts that two peaks of one satellite may differ by (two deviations)
LIMIT_NAMES = ("east", "west")


@dataclass(frozen=True, slots=True)
class EndReading:
    """An end of the travel: what it read before, None where only the file can tell, and now."""

    before: int | None
    now: int


@dataclass(frozen=True, slots=True)
class Correction:
    """Where satellites and limits should read now, what writing that still lacks, and advice."""

    after: dict[int, int]
    limits: tuple[int, int] | None
    ends: dict[str, int]  # those that the file holds, as they should read
    missing: tuple[str, ...]
    advice: str


@dataclass(frozen=True, slots=True)
class ShiftReport:
    """A station with new readings, judged."""

    station: Station
    diagnosis: Diagnosis
    correction: Correction
    notes: tuple[str, ...]


def report_shift(
    station: Station, again: dict[int, int], ends: dict[str, EndReading]
) -> ShiftReport:
    """Judge new readings of satellites and ends against the list. Raises BadInput, YardError."""
    if not again and not ends:
        raise BadInput(
            "no new readings: give satellites peaked again as NUMBER=COUNT and an end as"
            " east=BEFORE:NOW, such as 7=490 13=760 east=0:10"
        )
    if not any(row.count is not None for row in station.position):
        raise BadInput("no position is taught, so there is nothing that could have shifted")
    site = Site(
        station.station.latitude_deg, station.station.longitude_deg, station.station.height_m
    )
    places = _satellites(station, site, again)
    fit = predict(station).fit
    now: dict[int | str, float] = {number: float(count) for number, count in again.items()}
    notes: list[str] = []
    for side in LIMIT_NAMES:
        before = 0.0
        if side in ends:
            before = _end_before(station, side, ends[side], notes)
            now[side] = float(ends[side].now)
        elif side in (known := ends_of(station)):
            before = float(known[side])
        elif station.limits is not None:
            before = float(getattr(station.limits, side))
        places.append(Place(side, side, before))
    _refuse_far(station, places, now)
    diagnosis = diagnose(places, now, fit, site)
    weight = diagnosis.cause or diagnosis.weights[0]
    correction = _correct(station, diagnosis, weight, ends)
    return ShiftReport(station, diagnosis, correction, tuple(notes))


def _satellites(station: Station, site: Site, again: dict[int, int]) -> list[Place]:
    rows = {row.number: row for row in station.position}
    for number in again:
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
    return [
        Place(row.number, row.name, float(row.count), hour_angle_deg(site, row.longitude_deg))
        for row in station.position
        if row.count is not None and row.longitude_deg is not None
    ]


def _refuse_far(station: Station, places: list[Place], now: dict[int | str, float]) -> None:
    """Raises BadInput for a reading that no actuator could bring, such as one mistyped."""
    if not isinstance(station.mount, LinearMount):
        return
    most = round(FARTHEST * station.mount.stroke_counts)
    for place in places:
        moved = now.get(place.key, place.before) - place.before
        if abs(moved) > most:
            raise BadInput(
                f"{place.key}={now[place.key]:.0f} is {moved:+.0f} from {place.before:.0f}, where"
                f" {call(place)} was before; {FARTHEST} strokes, {most} counts, are the most that"
                " can have happened, so read it again"
            )


def _end_before(station: Station, side: str, end: EndReading, notes: list[str]) -> float:
    known = ends_of(station).get(side)
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


def _correct(
    station: Station, diagnosis: Diagnosis, weight: CauseEstimate, ends: dict[str, EndReading]
) -> Correction:
    slope, zero = _line(diagnosis, weight)
    turned = {
        place.key: round(float(weight.moves[n]))
        for n, place in enumerate(diagnosis.places)
        if weight.name == TWISTED
    }
    writes = weight.name in WRITABLE
    after = {
        row.number: row.count
        + (round(zero + slope * row.count) if writes else turned.get(row.number, 0))
        for row in station.position
        if row.count is not None
    }
    missing = tuple(_missing(diagnosis, weight, ends)) if writes else ()
    limits = _limits(station, diagnosis, weight, slope) if writes else None
    at_ends = _at_ends(station, diagnosis, weight) if writes else ends_of(station)
    advice = "take the deciding reading, arriving from the usual side"
    if diagnosis.cause is not None and weight.name == NOTHING:
        advice = _sound(diagnosis, weight)
    elif diagnosis.cause is not None:
        advice = _advice(station, diagnosis.cause, limits)
    return Correction(after, limits, at_ends, missing, advice)


def _line(diagnosis: Diagnosis, weight: CauseEstimate) -> tuple[float, float]:
    """Shift of the satellites as slope times the old count plus a constant, in counts."""
    sats = [n for n, p in enumerate(diagnosis.places) if p.hour_angle_deg is not None]
    if weight.name != ACTUATOR:
        return 0.0, float(np.mean((weight.moves - weight.best.fixed)[sats]))
    before = np.array([diagnosis.places[n].before for n in sats])
    if np.ptp(before) == 0.0:
        return 0.0, float(weight.moves[sats[0]])
    slope, zero = np.polyfit(before, weight.moves[sats], 1)
    return float(slope), float(zero)


def _limits(
    station: Station, diagnosis: Diagnosis, weight: CauseEstimate, slope: float
) -> tuple[int, int] | None:
    """Soft limits moved with the ends, their margins kept; None where they stay or are unknown."""
    limits = station.limits
    if limits is None or weight.name == SLIPPED:
        return None
    moved: list[int] = []
    for n, place in enumerate(diagnosis.places):
        if place.hour_angle_deg is not None:
            continue
        old = getattr(limits, str(place.key))
        if place.key in diagnosis.now and weight.name == ACTUATOR:
            margin = (old - place.before) * (1.0 + slope)
            moved.append(round(diagnosis.now[place.key] + margin))
        elif weight.name != ACTUATOR:
            moved.append(old + round(float(weight.moves[n])))
    return (moved[0], moved[1]) if len(moved) == 2 and moved[0] < moved[1] else None


def _at_ends(station: Station, diagnosis: Diagnosis, weight: CauseEstimate) -> dict[str, int]:
    """The ends that the file holds, as they should read now; what was read goes first."""
    told = {}
    for n, place in enumerate(diagnosis.places):
        known = ends_of(station).get(str(place.key))
        if known is None:
            continue
        told[str(place.key)] = (
            known
            if weight.name == SLIPPED
            else round(diagnosis.now.get(place.key, known + float(weight.moves[n])))
        )
    return told


def _missing(diagnosis: Diagnosis, weight: CauseEstimate, ends: dict[str, EndReading]) -> list[str]:
    """What has still to be measured, or looked into, before a list may be rewritten."""
    told = []
    if weight.probability < PROVED:
        told.append(
            f"{weight.name} is only {weight.probability:.0%} probable, needed are {PROVED:.0%}"
        )
    told += _other_side(diagnosis, weight)
    if not ends:
        told.append(f"no end was read: read one; {weight.name} expects {_ends_expected(weight)}")
    if weight.name == ACTUATOR:
        again = sum(place.hour_angle_deg is not None for place in _read(diagnosis))
        if again < 3:
            told.append(f"another actuator needs 3 satellites peaked again, there are {again}")
        if len(ends) < 2:
            told.append("another actuator needs both ends read, before and now, for the limits")
    against = [
        evidence.text
        for evidence in weight.evidence
        if evidence.verdict == "against" and evidence.key not in _mistaken_keys(diagnosis, weight)
    ]
    return told + [f"a reading speaks against it: {text}" for text in against]


def _other_side(diagnosis: Diagnosis, weight: CauseEstimate) -> list[str]:
    """What proof from the other side of the arc is missing."""
    sats = [n for n, p in enumerate(diagnosis.places) if p.hour_angle_deg is not None]
    hours = {n: diagnosis.places[n].hour_angle_deg or 0.0 for n in sats}
    arc = max(hours.values()) - min(hours.values())
    good = [
        n
        for n in sats
        if diagnosis.places[n].key in diagnosis.now and n not in weight.best.mistaken
    ]
    if len(sats) < 2:
        return ["only one satellite is taught, so nothing can prove a shift; store it anew by hand"]
    if len(good) > 1:
        span = max(hours[n] for n in good) - min(hours[n] for n in good)
        if span >= FAR * arc:
            return []
    if good:
        far = max(sats, key=lambda n: min(abs(hours[n] - hours[m]) for m in good))
    else:
        far = min(sats, key=hours.__getitem__)
    place = diagnosis.places[far]
    expects = round(place.before + float(weight.moves[far]))
    return [
        f"no proof from the other side of the arc: re-peak {call(place)} or one near it;"
        f" {weight.name} expects {expects} there"
    ]


def _ends_expected(weight: CauseEstimate) -> str:
    if weight.name == SLIPPED:
        return "it to read what it read before"
    if weight.name == LOST:
        return f"it to read {weight.amount:+.0f} from before"
    return "no certain count there"


def _read(diagnosis: Diagnosis) -> list[Place]:
    return [place for place in diagnosis.places if place.key in diagnosis.now]


def _mistaken_keys(diagnosis: Diagnosis, weight: CauseEstimate) -> set[int | str]:
    return {diagnosis.places[n].key for n in weight.best.mistaken}


def _advice(station: Station, weight: CauseEstimate, limits: tuple[int, int] | None) -> str:
    if weight.name == LOST:
        return (
            "find out why counts were lost before trusting the list again: sensor, its cable, or"
            " quick reversals"
        )
    if weight.name in (SLIPPED, BOTH):
        much = ""
        if weight.name == SLIPPED and isinstance(station.mount, LinearMount):
            much = f"it slipped about {abs(weight.amount) / station.mount.counts_per_mm:.1f} mm: "
        return (
            f"{much}tighten and mark the clamp; the dish now stands elsewhere at the same count, so"
            " drive to both ends in sight of it before trusting the limits"
        )
    if weight.name == TWISTED:
        return "turn the pole back and peak the list; no count recovers the level: " + _lost_level(
            station, weight
        )
    if weight.name == ACTUATOR:
        if limits is None and station.limits is not None:
            return "set both limits again at the dish: another actuator ends elsewhere"
        return (
            "prove both limits at the dish, and correct counts_per_mm and retracted_mm in [mount]"
        )
    if weight.name == WRONG:
        return f"{weight.also or 'a re-peak'}: the list is right, leave it; peak again"
    return "take the readings again, one at a time, arriving from the usual side"


def _sound(diagnosis: Diagnosis, weight: CauseEstimate) -> str:
    """What may be said where nothing moved, and of how much of the arc."""
    fits = f"the list fits the dish as it is: no reading moved more than {NOISE} counts or so"
    if not _other_side(diagnosis, weight):
        return fits
    return f"{fits}; this is one side of the arc alone, re-peak one on the other as well"


def _lost_level(station: Station, weight: CauseEstimate) -> str:
    """How far the beam of a twisted mount passes from the outermost satellites."""
    site = Site(station.station.latitude_deg, station.station.longitude_deg)
    mount = true_mount(site)
    told = []
    rows = [
        row for row in station.position if row.longitude_deg is not None and row.count is not None
    ]
    rows.sort(key=lambda row: hour_angle_deg(site, row.longitude_deg or 0.0))
    for row in (rows[0], rows[-1]):
        sight = site.to_satellite(row.longitude_deg or 0.0)
        twisted = replace(mount, twist_deg=weight.amount).aim(sight).cross_arc_deg
        miss = abs(twisted - mount.aim(sight).cross_arc_deg)
        text = f"{miss:.1f} deg past {row.number} {row.name}"
        if station.dish is not None:
            wavelength_m = 0.299792458 / station.dish.frequency_ghz
            loss_db = 12.0 * (miss / (70.0 * wavelength_m / station.dish.diameter_m)) ** 2
            text += f" ({loss_db:.1f} dB)" if math.isfinite(loss_db) and loss_db < 12 else ""
        told.append(text)
    return "the beam passes about " + " and ".join(told)
