"""What may be wrong with taught counts: how likely beforehand, how far off, and in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from sim.counts.fit import Peak

P_NEIGHBOUR = 0.02  # 1, chance that a peak was taught on its neighbour; judgement
P_OTHER_SIDE = 0.06  # 1, chance that it was approached from the other side; judgement
P_UNKNOWN = 0.003  # 1, chance that it is wrong for a reason not listed here; judgement
P_LOST_BETWEEN_DATES = 0.05  # 1, chance that a list of two dates lost counts between; judgement
P_LOST_ON_THE_WAY = 0.01  # 1, chance that counts were lost while the list was taught; judgement
BACKLASH = (2.5, 1.1)  # counts, mean and deviation: 1 to 4 are usual; common practice
SPACING_DEG = (2.9, 0.5)  # deg on the axis to a satellite not listed: 2.2 to 3.4; common practice
UNEXPLAINED_SD = 40.0  # counts, size of an error without a known reason; judgement
MISTAKABLE_DEG = (0.5, 8.0)  # deg on the axis to a satellite that may be mistaken for it; judgement
MOST_NEIGHBOURS = 4  # satellites, the nearest ones that may be mistaken for it; judgement
LEAST_BY_DATE, LEAST_BY_PLACE = 4, 5  # peaks from which a list may fall into two parts; judgement

Code = Literal[
    "neighbour", "unlisted", "other side", "unexplained",
    "lost counts", "lost since", "lost on the way",
]  # fmt: skip

# Sign of what backlash adds when one arrives the other way; from either side there is no other.
_BACKLASH_SIGNS: dict[str | None, tuple[int, ...]] = {
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
class Hypothesis:
    """What may have happened to some peaks, and how far it takes their counts off."""

    code: Code
    peaks: tuple[int, ...]  # indices of the peaks that it calls wrong
    log_odds: float  # before any count is looked at
    shift_counts: float = 0.0  # their mean error
    shift_sd_counts: float = 0.0  # how far that varies, alike for all of them
    mistaken_for: Neighbour | None = None


def hypotheses_of(
    peaks: Sequence[Peak],
    listed: Sequence[Neighbour],
    counts_per_deg: Callable[[float], float],
    approach: str | None,
) -> list[Hypothesis]:
    """All that is considered, for every peak by itself and for parts of the list."""
    found: list[Hypothesis] = []
    for index, peak in enumerate(peaks):
        found += _of_one(index, peak, listed, counts_per_deg(peak.hour_angle_deg), approach)
    return found + _of_parts(peaks)


def _of_one(
    index: int, peak: Peak, listed: Sequence[Neighbour], per_deg: float, approach: str | None
) -> list[Hypothesis]:
    def distance_deg(other: Neighbour) -> float:
        return abs(other.hour_angle_deg - peak.hour_angle_deg)

    one = (index,)
    nearest, farthest = MISTAKABLE_DEG
    others = sorted((n for n in listed if n.number != peak.number), key=distance_deg)
    near = [n for n in others[:MOST_NEIGHBOURS] if nearest < distance_deg(n) <= farthest]
    odds = math.log(P_NEIGHBOUR / max(1, len(near)))
    found = [Hypothesis("neighbour", one, odds, mistaken_for=other) for other in near]
    signs = _BACKLASH_SIGNS[approach]
    odds = math.log(P_OTHER_SIDE / max(1, len(signs)))
    found += [Hypothesis("other side", one, odds, n * BACKLASH[0], BACKLASH[1]) for n in signs]
    odds = math.log(P_UNKNOWN / 2)
    spacing, spacing_sd = SPACING_DEG[0] * per_deg, SPACING_DEG[1] * abs(per_deg)
    found += [Hypothesis("unlisted", one, odds, n * spacing, spacing_sd) for n in (-1, 1)]
    found.append(Hypothesis("unexplained", one, math.log(P_UNKNOWN), 0.0, UNEXPLAINED_SD))
    return found


def _of_parts(peaks: Sequence[Peak]) -> list[Hypothesis]:
    """Peaks up to a date are off alike or, where undated, those on one part of the arc."""
    dates = [peak.peaked for peak in peaks if peak.peaked is not None]
    if len(dates) == len(peaks) and len(set(dates)) > 1:
        return _parts_by_date(dates)
    return _parts_by_place(peaks)


def _parts_by_date(dates: Sequence[date]) -> list[Hypothesis]:
    """The older peaks are wrong, as the counter reads today; a single newer one by itself."""
    if len(dates) < LEAST_BY_DATE:
        return []
    found = []
    boundaries = sorted(set(dates))[:-1]
    odds = math.log(P_LOST_BETWEEN_DATES / len(boundaries))
    for boundary in boundaries:
        older = tuple(n for n, peaked in enumerate(dates) if peaked <= boundary)
        newer = tuple(n for n, peaked in enumerate(dates) if peaked > boundary)
        if len(newer) > 1:
            found.append(Hypothesis("lost counts", older, odds, 0.0, UNEXPLAINED_SD))
        else:
            found.append(Hypothesis("lost since", newer, odds, 0.0, UNEXPLAINED_SD))
    return found


def _parts_by_place(peaks: Sequence[Peak]) -> list[Hypothesis]:
    """The smaller part of the arc is wrong."""
    if len(peaks) < LEAST_BY_PLACE:
        return []
    order = sorted(range(len(peaks)), key=lambda n: peaks[n].hour_angle_deg)
    sizes = range(2, len(peaks) - 1)
    parts = [order[:n] if 2 * n <= len(peaks) else order[n:] for n in sizes]
    odds = math.log(P_LOST_ON_THE_WAY / len(parts))
    return [
        Hypothesis("lost on the way", tuple(sorted(part)), odds, 0.0, UNEXPLAINED_SD)
        for part in parts
    ]


def describe(hypothesis: Hypothesis, off_counts: float, sure: bool = True) -> str:
    """A hypothesis in one sentence; `off_counts` is west positive, `sure` if little else is left.

    >>> describe(Hypothesis("unexplained", (0,), 0.0), -12.3)
    '12 counts east of where the others put it, for no reason this list shows; re-peak it'
    """
    way = "west" if off_counts > 0 else "east"
    off = f"{abs(off_counts):.0f} counts {way} of where the others put it"
    perhaps = "" if sure else "perhaps "
    other = hypothesis.mistaken_for
    match hypothesis.code:
        case "neighbour" if other is not None:
            return (
                f"{off}: {perhaps}taught on its neighbour {other.number} {other.name};"
                " find it again and store it anew"
            )
        case "unlisted":
            return f"{off}, about one spacing: {perhaps}taught on a neighbour not in the list"
        case "other side":
            return (
                f"{off}: {perhaps}arrived from the other side (backlash);"
                " re-peak it from the usual side"
            )
        case "lost counts":
            return (
                f"about {off}, like all taught up to then: {perhaps}counts lost since;"
                " see positions shift"
            )
        case "lost since":
            return (
                f"{off}, which were all taught before it: {perhaps}counts lost in between, and then"
                " the others are stale, or this one is wrong; re-peak one of the others to see"
            )
        case "lost on the way":
            return (
                f"about {off}, all on this part of the arc alike: {perhaps}counts lost between"
                " teaching the two parts; re-peak one in each to see which is stale"
            )
        case _:
            return f"{off}, {perhaps}for no reason this list shows; re-peak it"
