"""Counts predicted for all satellites of a station from its taught ones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.errors import YardError
from bridge.station.model import LinearMount, Position, Station
from sim.counts.fit import NOISE_SD, Fit, Peak, residual_without
from sim.counts.hypotheses import Neighbour
from sim.counts.wrong_peaks import Outlier, screen_peaks
from sim.sky.belt import look_angles
from sim.sky.mount import hour_angle_deg
from sim.station_rig import site_of

BELOW_DEG = -2.0  # deg, elevation under which a taught longitude must be wrong; judgement
FALL_COUNTS = 20.0  # counts that a list may fall toward the west and still be noise; judgement
CONTRADICTED = (
    0.05  # 1, probability that all peaks are right under which none is trusted; judgement
)

Band = tuple[float, float, float]  # counts: median, lower and upper edge


@dataclass(frozen=True, slots=True)
class PredictedPosition:
    """One position: its predicted count with the 95 % band, and how its taught count compares."""

    number: int
    name: str
    longitude_deg: float | None
    hour_angle_deg: float | None
    count: float | None
    low: float | None
    high: float | None
    taught: int | None
    residual: float | None  # counts, taught minus what the other peaks predict
    residual_sd: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Prediction:
    """The fit behind a list, its rows, its outliers and what a person should know of it."""

    fit: Fit
    rows: tuple[PredictedPosition, ...]
    outliers: tuple[Outlier, ...]
    notes: tuple[str, ...]
    trusted: bool  # False where the peaks contradict each other and none can be named


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a position with a longitude stands over the site."""

    hour_angle_deg: float
    elevation_deg: float


def predict(station: Station) -> Prediction:
    """Counts of all positions from the taught ones. YardError where nothing can be predicted.

    Raises BadInput where the taught counts fit no dish at all.
    """
    site = site_of(station)
    places = {
        row.number: _Place(
            hour_angle_deg(site, row.longitude_deg),
            look_angles(site, row.longitude_deg).elevation_deg,
        )
        for row in station.position
        if row.longitude_deg is not None
    }
    peaks, notes = _peaks(station.position, places)
    _require_something(station, peaks)
    _require_westward(station.position, peaks)
    listed = [
        Neighbour(row.number, row.name, place.hour_angle_deg)
        for row in station.position
        if (place := places.get(row.number)) and place.elevation_deg >= BELOW_DEG
    ]
    screened = screen_peaks(station.mount, site, peaks, listed, station.positioner.approach)
    fit = screened.fit
    notes += [*screened.notes, *_notes_on_peaks(peaks, fit, station)]
    trusted = screened.p_consistent >= CONTRADICTED
    if not trusted:
        notes.append(
            "these peaks do not fit together, and which is wrong cannot be told from them:"
            " trust no band here, and teach one more far from the others"
        )
    hours = [place.hour_angle_deg for place in places.values()]
    bands = zip(*(edge.tolist() for edge in screened.mixture.band(hours)), strict=True)
    band_of = dict(zip(places, bands, strict=True))
    rows = tuple(
        _predicted(row, places[row.number], band_of[row.number], fit, station)
        if row.number in places
        else _unplaced(row)
        for row in station.position
    )
    return Prediction(fit, rows, screened.outliers, tuple(notes), trusted)


def _peaks(
    positions: Sequence[Position], places: dict[int, _Place]
) -> tuple[list[Peak], list[str]]:
    """The taught positions that can be fitted, and notes on those that cannot."""
    peaks: list[Peak] = []
    notes: list[str] = []
    for row in positions:
        if row.count is None:
            continue
        place = places.get(row.number)
        if place is None:
            notes.append(
                f"{row.number} {row.name} is taught but has no longitude_deg, so it tells nothing;"
                " add it"
            )
        elif place.elevation_deg < BELOW_DEG:
            notes.append(
                f"{row.number} {row.name} is taught but stands {-place.elevation_deg:.0f} deg below"
                " the horizon, so it is left out; check its longitude_deg (east positive)"
            )
        else:
            peaks.append(Peak(row.number, place.hour_angle_deg, row.count, row.peaked))
    return peaks, notes


def _require_something(station: Station, peaks: Sequence[Peak]) -> None:
    """YardError unless there is a list, and a mount or two peaks."""
    if not station.position:
        raise YardError("the station file lists no [[position]]; add the satellites to predict")
    if station.mount is None and len(peaks) < 2:
        have = "one taught satellite" if peaks else "no taught satellite"
        raise YardError(
            f"{have} and no [mount] say nothing of the others: a [mount] measured with a tape needs"
            " one to give every count, without it two give a rough idea and three a usable one"
        )


def _require_westward(positions: Sequence[Position], peaks: Sequence[Peak]) -> None:
    """YardError where the taught counts fall toward the west by more than noise."""
    if len(peaks) < 2:
        return
    first, *_, last = sorted(peaks, key=lambda peak: peak.hour_angle_deg)
    hours = np.array([peak.hour_angle_deg for peak in peaks])
    counts = np.array([peak.count for peak in peaks])
    falls = float((hours - hours.mean()) @ (counts - counts.mean())) < 0.0
    if falls and first.count - last.count > FALL_COUNTS:
        name = {row.number: row.name for row in positions}
        raise YardError(
            f"the taught counts fall toward the west ({first.number} {name[first.number]} at"
            f" {first.count:.0f} in the east, {last.number} {name[last.number]} at"
            f" {last.count:.0f} in the west), and counts grow west; check the counts and the signs"
            " of longitude_deg (east positive)"
        )


def _notes_on_peaks(peaks: Sequence[Peak], fit: Fit, station: Station) -> list[str]:
    """What this many peaks can tell, and how good they are."""
    notes = []
    if not peaks:
        notes.append(
            "nothing is taught: these are the counts of the measured geometry if the counter reads"
            " 0 with the actuator retracted; teach one satellite for the offset"
            if fit.curve.kind == "linear"
            else "nothing is taught: these are the counts of the file's noon_count and"
            " counts_per_deg; teach one satellite for the offset"
        )
    elif len(peaks) == 1:
        notes.append(
            "one peak tells the offset only, and nothing checks it; far from it the tape measure"
            " decides, so teach another on the other side of the arc"
        )
    elif len(peaks) == 2:
        notes.append("two peaks tell offset and scale, and check neither; a third would")
    if fit.noise_sd > NOISE_SD:
        notes.append(
            f"the peaks scatter by about {fit.noise_sd:g} counts, where a good one is found to"
            f" {NOISE_SD:g}: the bands allow for it; peaking anew, always arriving from the same"
            " side, would narrow them"
        )
    elif station.positioner.approach == "either":
        notes.append(
            "the file lets the dish arrive from either side, so its peaks may differ by the"
            " backlash; always arriving from one side would narrow the bands"
        )
    return notes


def _unplaced(row: Position) -> PredictedPosition:
    return PredictedPosition(
        row.number, row.name, None, None, None, None, None, row.count, None, None, "no longitude"
    )  # fmt: skip


def _predicted(
    row: Position, place: _Place, band: Band, fit: Fit, station: Station
) -> PredictedPosition:
    hour = place.hour_angle_deg
    residual, residual_sd = _residual(row, hour, fit, station)
    edges: tuple[float | None, float | None, float | None] = band
    note = _note(band[0], place.elevation_deg, fit, station)
    if _is_past_dead_centre(fit, hour):
        edges, note = (None, None, None), "past dead centre"
    return PredictedPosition(
        row.number, row.name, row.longitude_deg, hour, *edges, row.count, residual, residual_sd,
        note,
    )  # fmt: skip


def _is_past_dead_centre(fit: Fit, hour_angle_deg: float) -> bool:
    """True where an actuator's triangle is folded or straight before it reaches an hour angle."""
    if fit.curve.kind not in ("linear", "actuator"):
        return False
    values = zip(fit.curve.unknowns, fit.curve.values(fit.z).tolist(), strict=True)
    noon_deg = next(value for unknown, value in values if unknown.name == "noon angle")
    return not 0.0 < noon_deg + hour_angle_deg < 180.0


def _residual(
    row: Position, hour: float, fit: Fit, station: Station
) -> tuple[float | None, float | None]:
    """A taught count against the other peaks, with its deviation; no outlier is among them."""
    at = next((n for n, peak in enumerate(fit.peaks) if peak.number == row.number), None)
    others = len(fit.peaks) - (at is not None)
    needed = 1 if station.mount is not None else 2
    if row.count is None or others < needed:
        return None, None
    if at is not None:
        return residual_without(fit, at)
    counts, sd = fit.predict([hour])
    return row.count - float(counts[0]), math.hypot(float(sd[0]), fit.noise_sd)


def _note(count: float, elevation: float, fit: Fit, station: Station) -> str:
    """Why the dish cannot stand there, if it cannot."""
    if elevation < 0.0:
        return "below horizon"
    if isinstance(station.mount, LinearMount):
        offset, scale = (float(value) for value in fit.curve.values(fit.z)[:2])
        travel = scale * station.mount.counts_per_mm * station.mount.stroke_mm
        if not offset <= count <= offset + travel:
            return "beyond stroke"
    limits = station.limits
    if limits is not None and not limits.east <= count <= limits.west:
        return "past soft limit"
    return ""
