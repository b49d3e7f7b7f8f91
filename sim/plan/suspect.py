"""Which taught count does not fit the others, and the likely story behind it.

Each story changes what a peak's count should have been; all are weighed by how probable they make
the whole list (the fit is linear enough near its optimum for that to be one normal density each).
A peak is named only where its stories together outweigh everything else. Named peaks are set
aside and the rest is weighed again, so that one mistake does not hide another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.plan.curve import Curve
from sim.plan.fit import NOISE_SD, Fit, Peak, fit_peaks

Array = NDArray[np.float64]

NAMED = 0.6  # probability from which a peak is named; judgement
DOUBT = 0.05  # probability of an honest list below which something is said to be wrong; judgement
NEIGHBOUR, OTHER_SIDE, LOST, UNKNOWN = 0.02, 0.06, 0.01, 0.003  # before looking; judgement
BACKLASH = (2.5, 0.9)  # counts, mean and deviation: 1 to 4 are usual; common practice
UNLISTED_DEG = (2.9, 0.5)  # deg on the axis to a satellite not in the list: 2.2-3.4 a spacing
ODD_SD = 40.0  # counts, a count that is wrong for no known reason; judgement
NEAR_DEG = 8.0  # deg along the axis to the farthest satellite one may mistake for another

_SIDES = {"west": (-1,), "east": (1,)}  # sign of what backlash adds when one arrives the other way


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A satellite of the list that another may be mistaken for."""

    number: int
    name: str
    hour_angle_deg: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """A peak that does not fit, its story in words, and how many counts it is off."""

    number: int
    story: str
    off_counts: float
    code: str  # "neighbour", "unlisted", "other side", "lost counts", ...


@dataclass(frozen=True, slots=True)
class Weighed:
    """The fit without the suspects, the suspects, and how probable it is that all others fit."""

    fit: Fit
    suspects: tuple[Suspect, ...]
    honest: float


@dataclass(frozen=True, slots=True)
class _Story:
    code: str
    at: tuple[int, ...]  # peaks that it accuses
    log_odds: float
    shift: float = 0.0  # counts that the accused are off, on average
    sd: float = 0.0  # counts, and how far that may vary, alike for all accused
    stands_in: Neighbour | None = None


def weigh(
    curve: Curve,
    peaks: Sequence[Peak],
    listed: Sequence[Neighbour],
    approach: str | None = None,
) -> Weighed:
    """Fit the peaks that belong together and name those that do not.

    `approach` is the way the dish moves when it arrives, "east" or "west", where that is known:
    one that arrived the other way reads lower after "west" and higher after "east".
    """
    kept = list(peaks)
    suspects: list[Suspect] = []
    most = len(peaks) // 3
    while True:
        fit = fit_peaks(curve, kept)
        if len(kept) < 2:
            return Weighed(fit, tuple(suspects), 1.0)
        honest, guilt, story = _judge(fit, listed, approach)
        accused = [] if story is None else [kept[at] for at in story.at]
        room = 2 * len(accused) <= len(kept) if len(accused) > 1 else len(suspects) < most
        if story is None or guilt < NAMED or not room:
            return Weighed(fit, tuple(suspects), honest)
        kept = [peak for peak in kept if peak not in accused]
        alone = fit_peaks(curve, kept)
        told, _ = alone.predict([peak.hour_angle_deg for peak in accused])
        offs = [peak.count - float(n) for peak, n in zip(accused, told, strict=True)]
        says = _tell(story, math.fsum(offs) / len(offs))
        suspects += [
            Suspect(peak.number, says, off, story.code)
            for peak, off in zip(accused, offs, strict=True)
        ]


def _judge(
    fit: Fit, listed: Sequence[Neighbour], approach: str | None
) -> tuple[float, float, _Story | None]:
    """Probability that all is well, of the worst accusation, and its best story."""
    stories = [_Story("", (), 0.0), *_stories(fit, listed, approach)]
    logs = np.array([_log_density(fit, story) + story.log_odds for story in stories])
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    guilt: dict[tuple[int, ...], float] = {}
    for share, story in zip(chance[1:], stories[1:], strict=True):
        guilt[story.at] = guilt.get(story.at, 0.0) + float(share)
    if not guilt:
        return 1.0, 0.0, None
    worst = max(guilt, key=guilt.__getitem__)
    best = max((n for n in range(1, len(stories)) if stories[n].at == worst), key=logs.__getitem__)
    return float(chance[0]), guilt[worst], stories[best]


def _stories(fit: Fit, listed: Sequence[Neighbour], approach: str | None) -> list[_Story]:
    peaks = fit.peaks
    told: list[_Story] = []
    for at, peak in enumerate(peaks):
        here = peak.hour_angle_deg
        near = sorted(
            (n for n in listed if n.number != peak.number),
            key=lambda n: abs(n.hour_angle_deg - here),
        )
        near = [n for n in near[:4] if 0.5 < abs(n.hour_angle_deg - here) <= NEAR_DEG]
        odds = math.log(NEIGHBOUR / max(1, len(near)))
        told += [_Story("neighbour", (at,), odds, stands_in=other) for other in near]
        per_deg = fit.counts_per_deg(here)
        sides = _SIDES.get(approach or "", (-1, 1))
        slack = math.log(OTHER_SIDE / len(sides))
        told += [_Story("other side", (at,), slack, n * BACKLASH[0], BACKLASH[1]) for n in sides]
        wide = UNLISTED_DEG[1] * abs(per_deg)
        told += [
            _Story("unlisted", (at,), math.log(UNKNOWN / 2), n * UNLISTED_DEG[0] * per_deg, wide)
            for n in (-1, 1)
        ]
        told.append(_Story("unexplained", (at,), math.log(UNKNOWN), 0.0, ODD_SD))
    return told + _splits(peaks)


def _splits(peaks: Sequence[Peak]) -> list[_Story]:
    """Lists in which all peaks up to a date are off alike or, undated, all on one part of the arc.

    Of an undated list the smaller part is accused.
    """
    everyone = range(len(peaks))
    dated = sorted({peak.peaked for peak in peaks if peak.peaked is not None})
    if len(dated) > 1 and all(peak.peaked is not None for peak in peaks):
        code = "lost counts"
        groups = [
            tuple(n for n, p in enumerate(peaks) if p.peaked is not None and p.peaked <= day)
            for day in dated[:-1]
        ]
    else:
        code = "lost on the way"
        order = sorted(everyone, key=lambda n: peaks[n].hour_angle_deg)
        groups = []
        for size in range(2, len(peaks) - 1):
            part = order[:size] if 2 * size <= len(peaks) else order[size:]
            groups.append(tuple(sorted(part)))
    groups = [group for group in groups if 2 <= len(group) <= len(peaks) - 2]
    if len(peaks) < 5 or not groups:
        return []
    odds = math.log(LOST / len(groups))
    return [_Story(code, group, odds, 0.0, ODD_SD) for group in groups]


def _log_density(fit: Fit, story: _Story) -> float:
    """Log of how probable a story makes the taught counts, all unknowns averaged over."""
    hours = np.array([peak.hour_angle_deg for peak in fit.peaks])
    counts = np.array([peak.count for peak in fit.peaks])
    if story.stands_in is not None:
        hours[story.at[0]] = story.stands_in.hour_angle_deg
    slopes = fit.curve.slopes(fit.z, hours)
    left = counts - (fit.curve.counts(fit.z, hours) - slopes @ fit.z)
    spread = slopes @ slopes.T + NOISE_SD**2 * np.eye(len(counts))
    accused = np.zeros(len(counts))
    accused[list(story.at)] = 1.0
    left = left - story.shift * accused
    spread = spread + story.sd**2 * np.outer(accused, accused)
    _, log_size = np.linalg.slogdet(spread)
    return float(-0.5 * (left @ np.linalg.solve(spread, left) + log_size))


def _tell(story: _Story, off: float) -> str:
    """A story in one sentence."""
    way = "west" if off > 0 else "east"
    much = f"{abs(off):.0f} counts {way} of where the others put it"
    if story.code == "neighbour" and story.stands_in is not None:
        other = story.stands_in
        return (
            f"{much}: taught on its neighbour {other.number} {other.name};"
            " find it again and store it anew"
        )
    if story.code == "unlisted":
        return f"{much}, about one spacing: taught on a neighbour not in the list"
    if story.code == "other side":
        return f"{much}: arrived from the other side (backlash); re-peak it from the usual side"
    if story.code == "lost counts":
        return f"about {much}, like all taught up to then: counts lost since; see positions shift"
    if story.code == "lost on the way":
        return (
            f"about {much}, all on this part of the arc alike: counts lost between teaching the"
            " two parts; re-peak one in each to see which is stale"
        )
    return f"{much}, for no reason this list shows; re-peak it"
