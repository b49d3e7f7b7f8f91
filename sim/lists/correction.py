"""A list and its limits as they should read once a cause is found, and what to do at the dish."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bridge.station.model import LinearMount, Station
from sim.counts.normal import Array
from sim.lists.causes import ACTUATOR, BOTH, LOST, NOTHING, SLIPPED, TWISTED, WRONG
from sim.lists.shift import CauseEstimate, Diagnosis
from sim.lists.shift_proof import lacking, missing_other_side
from sim.sky.beam import half_power_beamwidth_deg, main_lobe_db
from sim.sky.mount import hour_angle_deg, true_mount
from sim.station_rig import ends_of, site_of

WRITABLE = (LOST, SLIPPED, BOTH, ACTUATOR)  # causes that other counts in the list put right
NOISE_COUNTS = 3  # counts that two peaks of one satellite may differ by: two deviations; computed
MOST_LOSS_DB = 12.0  # dB, a loss beyond which the main lobe's formula says nothing; judgement


@dataclass(frozen=True, slots=True)
class Correction:
    """Where satellites and limits should read now, what writing that still lacks, and advice."""

    after: dict[int, int]
    limits: tuple[int, int] | None  # None: they stay, or are not known
    ends: dict[str, int]  # those that the file holds, as they should read
    missing: tuple[str, ...]
    advice: str


def correct(station: Station, diagnosis: Diagnosis, ends_read: int) -> Correction:
    """The correction for the likeliest cause, of whose proof `ends_read` readings were of ends."""
    estimate = diagnosis.cause or diagnosis.estimates[0]
    slope, zero = _line(diagnosis, estimate)
    writes = estimate.name in WRITABLE
    turned = {
        place.key: round(float(estimate.moves[n]))
        for n, place in enumerate(diagnosis.places)
        if estimate.name == TWISTED
    }
    after = {
        row.number: row.count
        + (round(zero + slope * row.count) if writes else turned.get(row.number, 0))
        for row in station.position
        if row.count is not None
    }
    if not writes:
        advice = _advice(station, diagnosis, None)
        return Correction(after, None, ends_of(station), (), advice)
    limits = _limits(station, diagnosis, estimate, slope)
    return Correction(
        after,
        limits,
        _ends(station, diagnosis, estimate),
        tuple(lacking(diagnosis, estimate, ends_read)),
        _advice(station, diagnosis, limits),
    )


def _line(diagnosis: Diagnosis, estimate: CauseEstimate) -> tuple[float, float]:
    """Shift of the satellites as slope times the old count plus a constant, in counts."""
    satellites = [n for n, place in enumerate(diagnosis.places) if not place.is_end]
    if estimate.name != ACTUATOR:
        return 0.0, float(np.mean((estimate.moves - estimate.best.fixed)[satellites]))
    before: Array = np.array([diagnosis.places[n].before for n in satellites])
    if np.ptp(before) == 0.0:
        return 0.0, float(estimate.moves[satellites[0]])
    slope, zero = np.polyfit(before, estimate.moves[satellites], 1)
    return float(slope), float(zero)


def _limits(
    station: Station, diagnosis: Diagnosis, estimate: CauseEstimate, slope: float
) -> tuple[int, int] | None:
    """Soft limits moved with the ends, their margins kept; None where they stay or are unknown."""
    limits = station.limits
    if limits is None or estimate.name == SLIPPED:
        return None
    moved: list[int] = []
    for n, place in enumerate(diagnosis.places):
        if not place.is_end:
            continue
        old = getattr(limits, str(place.key))
        if place.key in diagnosis.now and estimate.name == ACTUATOR:
            margin = (old - place.before) * (1.0 + slope)
            moved.append(round(diagnosis.now[place.key] + margin))
        elif estimate.name != ACTUATOR:
            moved.append(old + round(float(estimate.moves[n])))
    return (moved[0], moved[1]) if len(moved) == 2 and moved[0] < moved[1] else None


def _ends(station: Station, diagnosis: Diagnosis, estimate: CauseEstimate) -> dict[str, int]:
    """The ends that the file holds, as they should read now; what was read goes first."""
    ends = {}
    for n, place in enumerate(diagnosis.places):
        known = ends_of(station).get(str(place.key))
        if known is None:
            continue
        ends[str(place.key)] = (
            known
            if estimate.name == SLIPPED
            else round(diagnosis.now.get(place.key, known + float(estimate.moves[n])))
        )
    return ends


def _advice(station: Station, diagnosis: Diagnosis, limits: tuple[int, int] | None) -> str:
    """What to do at the dish, or which reading to take first."""
    cause = diagnosis.cause
    if cause is None:
        return "take the deciding reading, arriving from the usual side"
    if cause.name == NOTHING:
        return _nothing_wrong(diagnosis, cause)
    if cause.name == LOST:
        return (
            "find out why counts were lost before trusting the list again: sensor, its cable, or"
            " quick reversals"
        )
    if cause.name in (SLIPPED, BOTH):
        slip = ""
        if cause.name == SLIPPED and isinstance(station.mount, LinearMount):
            slip = f"it slipped about {abs(cause.amount) / station.mount.counts_per_mm:.1f} mm: "
        return (
            f"{slip}tighten and mark the clamp; the dish now stands elsewhere at the same count, so"
            " drive to both ends in sight of it before trusting the limits"
        )
    if cause.name == TWISTED:
        lost = _lost_level(station, cause)
        return f"turn the pole back and peak the list; no count recovers the level: {lost}"
    if cause.name == WRONG:
        return f"{cause.detail}: the list is right, leave it; peak again"
    if limits is None and station.limits is not None:
        return "set both limits again at the dish: another actuator ends elsewhere"
    return "prove both limits at the dish, and correct counts_per_mm and retracted_mm in [mount]"


def _nothing_wrong(diagnosis: Diagnosis, cause: CauseEstimate) -> str:
    """What may be said where nothing moved, and of how much of the arc."""
    fits = (
        f"the list fits the dish as it is: no reading moved more than {NOISE_COUNTS} counts or so"
    )
    if missing_other_side(diagnosis, cause) is None:
        return fits
    return f"{fits}; this is one side of the arc alone, re-peak one on the other as well"


def _lost_level(station: Station, cause: CauseEstimate) -> str:
    """How far the beam of a twisted mount passes from the outermost satellites."""
    site = site_of(station)
    straight = true_mount(site)
    twisted = replace(straight, twist_deg=cause.amount)
    rows = [
        (hour_angle_deg(site, row.longitude_deg), row.longitude_deg, row)
        for row in station.position
        if row.longitude_deg is not None and row.count is not None
    ]
    passes = []
    for _, longitude, row in (min(rows, key=lambda r: r[0]), max(rows, key=lambda r: r[0])):
        sight = site.to_satellite(longitude)
        miss_deg = abs(twisted.aim(sight).cross_arc_deg - straight.aim(sight).cross_arc_deg)
        text = f"{miss_deg:.1f} deg past {row.number} {row.name}"
        if station.dish is not None:
            beamwidth_deg = half_power_beamwidth_deg(
                station.dish.diameter_m, station.dish.frequency_ghz
            )
            loss_db = -main_lobe_db(miss_deg, beamwidth_deg)
            text += f" ({loss_db:.1f} dB)" if loss_db < MOST_LOSS_DB else ""
        passes.append(text)
    return f"the beam passes about {' and '.join(passes)}"
