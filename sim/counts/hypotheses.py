"""Stories of a count that does not fit: what each makes of it, how usual it is, how it is told."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from sim.counts.fit import Peak

NEIGHBOUR, OTHER_SIDE, UNKNOWN = 0.02, 0.06, 0.003  # of each peak, before looking; judgement
LOST, ON_THE_WAY = 0.05, 0.01  # of a list: between two dates, while teaching it; judgement
BACKLASH = (2.5, 1.1)  # counts, mean and deviation: 1 to 4 are usual; common practice
UNLISTED_DEG = (2.9, 0.5)  # deg on the axis to a satellite not in the list: 2.2-3.4 a spacing
ODD_SD = 40.0  # counts, a count that is wrong for no known reason; judgement
NEAR_DEG = 8.0  # deg along the axis to the farthest satellite one may mistake for another

# Sign of what backlash adds when one arrives the other way; from either side there is no other.
_SIDES: dict[str | None, tuple[int, ...]] = {
    "west": (-1,),
    "east": (1,),
    "either": (),
    None: (-1, 1),
}


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A satellite of the list that another may be mistaken for."""

    number: int
    name: str
    hour_angle_deg: float


@dataclass(frozen=True, slots=True)
class Story:
    """What may have happened to some peaks, and how far it takes their counts off."""

    code: str  # "neighbour", "unlisted", "other side", "lost counts", "lost on the way", ...
    at: tuple[int, ...]  # peaks that it accuses
    log_odds: float  # before looking at any count
    shift: float = 0.0  # counts that the accused are off, on average
    sd: float = 0.0  # counts, and how far that may vary, alike for all accused
    stands_in: Neighbour | None = None


def stories_of(
    peaks: Sequence[Peak],
    listed: Sequence[Neighbour],
    counts_per_deg: Callable[[float], float],
    approach: str | None,
) -> list[Story]:
    """All that is thought of, for every peak by itself and for parts of the list."""
    told: list[Story] = []
    for at, peak in enumerate(peaks):
        here = peak.hour_angle_deg
        near = sorted(
            (n for n in listed if n.number != peak.number),
            key=lambda n: abs(n.hour_angle_deg - here),
        )
        near = [n for n in near[:4] if 0.5 < abs(n.hour_angle_deg - here) <= NEAR_DEG]
        odds = math.log(NEIGHBOUR / max(1, len(near)))
        told += [Story("neighbour", (at,), odds, stands_in=other) for other in near]
        sides = _SIDES[approach]
        slack = math.log(OTHER_SIDE / max(1, len(sides)))
        told += [Story("other side", (at,), slack, n * BACKLASH[0], BACKLASH[1]) for n in sides]
        per_deg = counts_per_deg(here)
        wide = UNLISTED_DEG[1] * abs(per_deg)
        told += [
            Story("unlisted", (at,), math.log(UNKNOWN / 2), n * UNLISTED_DEG[0] * per_deg, wide)
            for n in (-1, 1)
        ]
        told.append(Story("unexplained", (at,), math.log(UNKNOWN), 0.0, ODD_SD))
    return told + _splits(peaks)


def _splits(peaks: Sequence[Peak]) -> list[Story]:
    """Peaks up to a date are off alike or, where undated, those on one part of the arc."""
    days = [peak.peaked for peak in peaks if peak.peaked is not None]
    if len(days) == len(peaks) and len(set(days)) > 1:
        return _splits_by_date(peaks, days)
    return _splits_by_place(peaks)


def _splits_by_date(peaks: Sequence[Peak], days: Sequence[date]) -> list[Story]:
    """The older peaks are accused, as the counter reads today; a single newer one by itself."""
    if len(peaks) < 4:
        return []
    told = []
    boundaries = sorted(set(days))[:-1]
    odds = math.log(LOST / len(boundaries))
    for day in boundaries:
        older = tuple(n for n, peaked in enumerate(days) if peaked <= day)
        newer = tuple(n for n, peaked in enumerate(days) if peaked > day)
        if len(newer) > 1:
            told.append(Story("lost counts", older, odds, 0.0, ODD_SD))
        else:
            told.append(Story("lost since", newer, odds, 0.0, ODD_SD))
    return told


def _splits_by_place(peaks: Sequence[Peak]) -> list[Story]:
    """The smaller part of the arc is accused."""
    order = sorted(range(len(peaks)), key=lambda n: peaks[n].hour_angle_deg)
    sizes = range(2, len(peaks) - 1) if len(peaks) >= 5 else range(0)
    parts = [order[:n] if 2 * n <= len(peaks) else order[n:] for n in sizes]
    return [
        Story(
            "lost on the way", tuple(sorted(part)), math.log(ON_THE_WAY / len(parts)), 0.0, ODD_SD
        )
        for part in parts
    ]


def tell(story: Story, off: float, sure: bool = True) -> str:
    """A story in one sentence; `off` counts, west positive, and `sure` when little else is left."""
    way = "west" if off > 0 else "east"
    much = f"{abs(off):.0f} counts {way} of where the others put it"
    hedge = "" if sure else "perhaps "
    if story.code == "neighbour" and story.stands_in is not None:
        other = story.stands_in
        return (
            f"{much}: {hedge}taught on its neighbour {other.number} {other.name};"
            " find it again and store it anew"
        )
    if story.code == "unlisted":
        return f"{much}, about one spacing: {hedge}taught on a neighbour not in the list"
    if story.code == "other side":
        return (
            f"{much}: {hedge}arrived from the other side (backlash); re-peak it from the usual side"
        )
    if story.code == "lost counts":
        return (
            f"about {much}, like all taught up to then: {hedge}counts lost since;"
            " see positions shift"
        )
    if story.code == "lost since":
        return (
            f"{much}, which were all taught before it: {hedge}counts lost in between, and then the"
            " others are stale, or this one is wrong; re-peak one of the others to see"
        )
    if story.code == "lost on the way":
        return (
            f"about {much}, all on this part of the arc alike: {hedge}counts lost between teaching"
            " the two parts; re-peak one in each to see which is stale"
        )
    return f"{much}, {'' if sure else 'perhaps '}for no reason this list shows; re-peak it"
