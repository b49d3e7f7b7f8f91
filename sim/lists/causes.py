"""What may have happened to a dish whose counts no longer fit, each as the shifts it would show.

A cause gives, for every satellite of the list and for both ends, how many counts its reading moves:
a fixed part, parts that grow with unknown amounts, and a part of each reading by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.counts.fit import Fit
from sim.counts.hypotheses import SPACING_DEG, UNEXPLAINED_SD
from sim.sky.belt import Site
from sim.sky.mount import Mount, true_mount

Array = NDArray[np.float64]

LOST, SLIPPED, TWISTED = "lost counts", "slipped clamp", "twisted pole"
ACTUATOR, WRONG, NOTHING = "new actuator", "wrong satellite", "nothing wrong"
BOTH, ODD = "lost counts and slipped clamp", "none of these"

# How often each is met before anything is measured, in proportion; judgement.
ODDS = {
    LOST: 0.35,
    SLIPPED: 0.15,
    TWISTED: 0.15,
    ACTUATOR: 0.08,
    WRONG: 0.12,
    NOTHING: 0.60,
    BOTH: 0.03,
    ODD: 0.002,
}
WRONG_AND_LOST = 0.04  # how often counts are lost and one re-peak sits on its neighbour; judgement
SHIFT_SDS = (8.0, 40.0, 300.0)  # counts, sizes of what gets lost or slips, each as often; judgement
TWIST_SDS = (0.7, 2.5)  # deg, sizes of a twist, each as often; judgement
SCALE_SDS = (0.02, 0.06, 0.3)  # 1, by how much counts per mm change, each as often; judgement
LEAST_SHIFT = 3.0  # counts under which a shift is within what two peaks differ by; judgement
LEAST_TWIST = 0.3  # deg, about as many counts in the east; judgement
LEAST_SCALE = 0.01  # 1, about as many counts at either side of the arc; judgement
OTHER_END_SD = 60.0  # counts, how far the ends of another actuator may be; judgement


@dataclass(frozen=True, slots=True)
class ArcPlace:
    """Something that can be read again: a listed satellite, or an end (`hour_angle_deg` None).

    >>> ArcPlace(7, "Gorse", 480.0, -11.65).label, ArcPlace("east", "", 0.0).label
    ('7 Gorse', 'east end')
    """

    key: int | str  # position number, "east" or "west"
    name: str
    before: float  # counts
    hour_angle_deg: float | None = None

    @property
    def is_end(self) -> bool:
        """True for an end of the travel."""
        return self.hour_angle_deg is None

    @property
    def label(self) -> str:
        """What a person calls it."""
        return f"{self.key} end" if self.is_end else f"{self.key} {self.name}"


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that may have happened, as moves of all places (arrays over the places)."""

    name: str
    log_odds: float
    fixed: Array  # (n,) counts
    parts: Array  # (n, q) counts per standard deviation of each unknown amount
    individual_sd: Array  # (n,) counts, at each place by itself
    least: tuple[float, ...]  # size of each amount, in deviations, under which it is nothing
    amount: float = 0.0  # what one standard deviation of the first amount is, in `unit`
    unit: str = ""
    detail: str = ""  # what happened in this variant, in words
    mistaken: tuple[int, ...] = ()  # places that were re-peaked on another satellite


def causes_of(
    places: Sequence[ArcPlace], measured: Sequence[int], fit: Fit, site: Site
) -> list[Cause]:
    """All causes and their variants, for places of which those at `measured` were read again."""
    n = len(places)
    is_end = np.array([place.hour_angle_deg is None for place in places])
    zero, none = np.zeros(n), np.zeros((n, 0))
    all_alike, satellites = np.ones(n), np.where(is_end, 0.0, 1.0)
    causes = [
        Cause(NOTHING, math.log(ODDS[NOTHING]), zero, none, zero, ()),
        Cause(ODD, math.log(ODDS[ODD]), zero, none, np.full(n, UNEXPLAINED_SD), ()),
    ]
    share = 1.0 / len(SHIFT_SDS)
    for sd in SHIFT_SDS:
        one = (sd * all_alike)[:, None]
        alike = (sd * satellites)[:, None]
        both = np.hstack([one, alike])
        least = LEAST_SHIFT / sd
        causes += [
            Cause(LOST, math.log(ODDS[LOST] * share), zero, one, zero, (least,), sd, "counts"),
            Cause(
                SLIPPED, math.log(ODDS[SLIPPED] * share), zero, alike, zero, (least,), sd, "counts"
            ),
            Cause(
                BOTH, math.log(ODDS[BOTH] * share), zero, both, zero, (least, least), sd, "counts"
            ),
        ]
    turned = twist_counts(places, fit, site)
    causes += [
        Cause(
            TWISTED, math.log(ODDS[TWISTED] / len(TWIST_SDS)), zero, (sd * turned)[:, None], zero,
            (LEAST_TWIST / sd,), sd, "deg",
        )
        for sd in TWIST_SDS
    ]  # fmt: skip
    causes += _actuators(places, is_end)
    causes += _mistaken(places, measured, fit)
    return causes


def twist_counts(places: Sequence[ArcPlace], fit: Fit, site: Site) -> Array:
    """Counts by which each satellite moves for one degree of twist, clockwise from above."""
    mount = true_mount(site)
    return np.array([_twist_deg(place, mount) * _steep(place, fit) for place in places])


def _twist_deg(place: ArcPlace, mount: Mount) -> float:
    """Change of a satellite's hour angle about the pole for one degree of twist."""
    if place.hour_angle_deg is None:
        return 0.0
    # The satellite stands where the straight pole would point; near enough, as the beam's miss
    # of the belt is under 0.7 deg and enters a term that is small itself.
    direction = mount.point(place.hour_angle_deg)
    ends = [replace(mount, twist_deg=sign * 0.5).aim(direction).hour_angle_deg for sign in (-1, 1)]
    return ends[1] - ends[0]


def _steep(place: ArcPlace, fit: Fit) -> float:
    return 0.0 if place.hour_angle_deg is None else fit.counts_per_deg(place.hour_angle_deg)


def _actuators(places: Sequence[ArcPlace], is_end: Array) -> list[Cause]:
    """Other counts per mm and another zero; the ends scale along, or are another actuator's."""
    before = np.array([place.before for place in places])
    middle = before[~is_end.astype(bool)].mean()
    causes = []
    for sd in SCALE_SDS:
        for zero_sd in SHIFT_SDS:
            odds = math.log(ODDS[ACTUATOR] / (2 * len(SCALE_SDS) * len(SHIFT_SDS)))
            parts = np.stack([sd * (before - middle), np.full(len(before), zero_sd)], axis=1)
            for individual, detail in (
                (np.zeros(len(before)), "the ends move along: only the sensor counts otherwise"),
                (np.where(is_end, OTHER_END_SD, 0.0), ""),
            ):
                causes.append(
                    Cause(
                        ACTUATOR, odds, np.zeros(len(before)), parts, individual,
                        (LEAST_SCALE / sd, 0.0), 100.0 * sd, "%", detail,
                    )
                )  # fmt: skip
    return causes


def _mistaken(places: Sequence[ArcPlace], measured: Sequence[int], fit: Fit) -> list[Cause]:
    """One re-peak, or all of them the same way, on the next satellite."""
    steps: list[tuple[tuple[int, ...], dict[int, float], dict[int, float], str]] = []
    repeaked = [at for at in measured if places[at].hour_angle_deg is not None]
    for at in repeaked:
        for other in _next_to(places, at):
            detail = f"{places[at].label} was re-peaked on its neighbour {places[other].label}"
            steps.append(((at,), {at: _apart(places, at, other, fit)}, {}, detail))
        for sign in (-1, 1):
            wide = abs(_steep(places[at], fit))
            steps.append(
                (
                    (at,),
                    {at: sign * SPACING_DEG[0] * wide},
                    {at: SPACING_DEG[1] * wide},
                    f"{places[at].label} was re-peaked on a neighbour not in the list",
                )
            )
    for side in (0, 1):
        others = {at: _next_to(places, at)[side : side + 1] for at in repeaked}
        if len(repeaked) > 1 and all(others.values()):
            moves = {at: _apart(places, at, other[0], fit) for at, other in others.items()}
            way = "eastern" if sum(moves.values()) < 0 else "western"
            steps.append(
                (tuple(repeaked), moves, {}, f"all were re-peaked on their {way} neighbours")
            )
    causes = []
    n = len(places)
    for mistaken, moves, sd_by, detail in steps:
        fixed, individual = np.zeros(n), np.zeros(n)
        for at, move in moves.items():
            fixed[at], individual[at] = move, sd_by.get(at, 0.0)
        causes.append(
            Cause(
                WRONG, math.log(ODDS[WRONG] / len(steps)), fixed, np.zeros((n, 0)), individual, (),
                detail=detail, mistaken=mistaken,
            )
        )  # fmt: skip
        if len(repeaked) > len(mistaken):
            odds = math.log(WRONG_AND_LOST / len(steps) / len(SHIFT_SDS))
            for sd in SHIFT_SDS:
                alike, least = np.full((n, 1), sd), (LEAST_SHIFT / sd,)
                causes.append(
                    Cause(
                        LOST, odds, fixed, alike, individual, least, sd, "counts", detail, mistaken
                    )
                )
    return causes


def _next_to(places: Sequence[ArcPlace], at: int) -> list[int]:
    """The listed satellites next to one along the arc: east of it, then west of it."""
    here = places[at].hour_angle_deg
    gaps = [
        (place.hour_angle_deg - here, n)
        for n, place in enumerate(places)
        if place.hour_angle_deg is not None and here is not None and n != at
    ]
    east = max((gap for gap in gaps if gap[0] < -0.5), default=None)
    west = min((gap for gap in gaps if gap[0] > 0.5), default=None)
    return [gap[1] for gap in (east, west) if gap is not None]


def _apart(places: Sequence[ArcPlace], at: int, other: int, fit: Fit) -> float:
    """Counts from one satellite to another along the fitted curve."""
    hours = [places[at].hour_angle_deg or 0.0, places[other].hour_angle_deg or 0.0]
    counts, _ = fit.predict(hours)
    return float(counts[1] - counts[0])
