"""What a station's taught satellites say of all its others."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bridge.errors import YardError
from bridge.station.model import LinearMount, Position, Station
from sim.counts.fit import NOISE_SD, Fit, Peak, hold_back
from sim.counts.hypotheses import Neighbour
from sim.counts.outliers import DOUBT, Suspect, weigh
from sim.sky.belt import Site, look_angles
from sim.sky.mount import hour_angle_deg

SUNK_DEG = -2.0  # deg, elevation under which a taught satellite must have a wrong longitude
FALL = (
    20.0  # counts that a list may fall toward the west before it is taken for reversed; judgement
)


@dataclass(frozen=True, slots=True)
class Row:
    """One position: its predicted count with the 95 % band, and how its peak held back does."""

    number: int
    name: str
    longitude_deg: float | None
    hour_angle_deg: float | None
    count: float | None
    low: float | None
    high: float | None
    taught: int | None
    residual: float | None  # taught less what the other peaks predict, counts
    residual_sd: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Prediction:
    """The fit behind a list, its rows, its suspects and what a person should know of it."""

    fit: Fit
    rows: tuple[Row, ...]
    suspects: tuple[Suspect, ...]
    notes: tuple[str, ...]
    trusted: bool  # False where the peaks contradict each other and none can be named


def predict(station: Station) -> Prediction:
    """Counts of all positions from the taught ones. YardError where nothing can be said."""
    site = Site(
        station.station.latitude_deg, station.station.longitude_deg, station.station.height_m
    )
    hours = {
        row.number: hour_angle_deg(site, row.longitude_deg)
        for row in station.position
        if row.longitude_deg is not None
    }
    height = {
        row.number: look_angles(site, row.longitude_deg).elevation_deg
        for row in station.position
        if row.longitude_deg is not None
    }
    peaks, notes = _peaks(station.position, hours, height)
    _require_something(station, peaks)
    _require_westward(station.position, peaks)
    listed = [
        Neighbour(row.number, row.name, hours[row.number])
        for row in station.position
        if row.number in hours and height[row.number] >= SUNK_DEG
    ]
    weighed = weigh(station.mount, site, peaks, listed, station.positioner.approach)
    notes += [*weighed.notes, *_reach(peaks, weighed.fit, station)]
    trusted = weighed.honest >= DOUBT or len(weighed.fit.peaks) < 2
    if not trusted:
        notes.append(
            "these peaks do not fit together, and which is wrong cannot be told from them:"
            " trust no band here, and teach one more far from the others"
        )
    fit = weighed.fit
    bands = np.array(weighed.blend.band(list(hours.values()))).T.tolist()
    band = {number: (c, low, high) for number, (c, low, high) in zip(hours, bands, strict=True)}
    rows = tuple(
        _row(row, hours[row.number], height[row.number], band[row.number], fit=fit, station=station)
        if row.number in hours
        else _blank(row)
        for row in station.position
    )
    return Prediction(fit, rows, weighed.suspects, tuple(notes), trusted)


def _peaks(
    positions: Sequence[Position], hours: dict[int, float], height: dict[int, float]
) -> tuple[list[Peak], list[str]]:
    peaks: list[Peak] = []
    notes: list[str] = []
    for row in positions:
        if row.count is None:
            continue
        if row.number not in hours:
            notes.append(
                f"{row.number} {row.name} is taught but has no longitude_deg, so it tells nothing;"
                " add it"
            )
        elif height[row.number] < SUNK_DEG:
            notes.append(
                f"{row.number} {row.name} is taught but stands {-height[row.number]:.0f} deg below"
                " the horizon, so it is left out; check its longitude_deg (east positive)"
            )
        else:
            peaks.append(Peak(row.number, hours[row.number], row.count, row.peaked))
    return peaks, notes


def _require_something(station: Station, peaks: Sequence[Peak]) -> None:
    if not station.position:
        raise YardError("the station file lists no [[position]]; add the satellites to predict")
    if station.mount is None and len(peaks) < 2:
        have = "one taught satellite" if peaks else "no taught satellite"
        raise YardError(
            f"{have} and no [mount] say nothing of the others: a [mount] measured with a tape needs"
            " one to give every count, without it two give a rough idea and three a usable one"
        )


def _require_westward(positions: Sequence[Position], peaks: Sequence[Peak]) -> None:
    if len(peaks) < 2:
        return
    ordered = sorted(peaks, key=lambda peak: peak.hour_angle_deg)
    middle_h = math.fsum(p.hour_angle_deg for p in ordered) / len(ordered)
    middle_c = math.fsum(p.count for p in ordered) / len(ordered)
    lean = math.fsum((p.hour_angle_deg - middle_h) * (p.count - middle_c) for p in ordered)
    first, last = ordered[0], ordered[-1]
    if lean < 0.0 and first.count - last.count > FALL:
        name = {row.number: row.name for row in positions}
        raise YardError(
            f"the taught counts fall toward the west ({first.number} {name[first.number]} at"
            f" {first.count:.0f} in the east, {last.number} {name[last.number]} at"
            f" {last.count:.0f} in the west), and counts grow west; check the counts and the signs"
            " of longitude_deg (east positive)"
        )


def _reach(peaks: Sequence[Peak], fit: Fit, station: Station) -> list[str]:
    """What this many peaks can tell, said plainly."""
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


def _blank(row: Position) -> Row:
    return Row(
        row.number, row.name, None, None, None, None, None, row.count, None, None, "no longitude"
    )  # fmt: skip


def _row(
    row: Position,
    hour: float,
    elevation: float,
    band: tuple[float, float, float],
    *,
    fit: Fit,
    station: Station,
) -> Row:
    residual, residual_sd = _held_back(row, hour, fit, station)
    turns_back = fit.curve.kind in ("linear", "actuator")
    if turns_back and not 0.0 < float(fit.curve.values(fit.z)[2]) + hour < 180.0:
        note = "past dead centre"
        edges: tuple[float | None, float | None, float | None] = (None, None, None)
    else:
        note = _note(band[0], elevation, fit, station)
        edges = band
    return Row(
        row.number, row.name, row.longitude_deg, hour, *edges, row.count, residual, residual_sd,
        note,
    )  # fmt: skip


def _held_back(
    row: Position, hour: float, fit: Fit, station: Station
) -> tuple[float | None, float | None]:
    """A taught count against the other peaks; a suspect was never among them."""
    at = next((n for n, peak in enumerate(fit.peaks) if peak.number == row.number), None)
    others = len(fit.peaks) - (at is not None)
    needed = 1 if station.mount is not None else 2
    if row.count is None or others < needed:
        return None, None
    if at is not None:
        return hold_back(fit, at)
    counts, sd = fit.predict([hour])
    return row.count - float(counts[0]), math.hypot(float(sd[0]), fit.noise_sd)


def _note(count: float, elevation: float, fit: Fit, station: Station) -> str:
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
