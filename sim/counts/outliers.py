"""Which taught count does not fit the others, and the likely story behind it.

Each story changes what a peak's count should have been; all are weighed by how probable they make
the whole list (the fit is linear enough near its optimum for that to be one normal density each).
A peak is named where its stories together outweigh everything else, and named as doubtful where
they come near to that. Those plainly named are set aside and the rest is weighed again, so that
one mistake does not hide another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.station.model import LinearMount, WormMount
from sim.counts.candidates import fit_for, fits_of
from sim.counts.fit import Fit, Peak, fit_peaks
from sim.counts.hypotheses import Neighbour, Story, stories_of, tell
from sim.counts.mixtures import Blend, blend_of
from sim.sky.belt import Site

Array = NDArray[np.float64]

NAMED = 0.6  # probability from which a peak is named and set aside; judgement
PERHAPS = 0.3  # probability from which it is named as doubtful but still believed; judgement
DOUBT = 0.05  # probability of an honest list below which something is said to be wrong; judgement


@dataclass(frozen=True, slots=True)
class Suspect:
    """A peak that does not fit, its story in words, and how many counts it is off."""

    number: int
    story: str
    off_counts: float
    code: str  # of its story
    sure: bool = True  # False where it is only doubtful, and still part of the fit


@dataclass(frozen=True, slots=True)
class Weighed:
    """The fit without the suspects, the suspects, and how probable it is that all others fit."""

    fit: Fit
    blend: Blend  # of all that the peaks may be; its bands are those to trust
    suspects: tuple[Suspect, ...]
    honest: float
    notes: tuple[str, ...]  # of the curve that the others follow


@dataclass(frozen=True, slots=True)
class _Judged:
    """Probability that all is well, and of every accusation with the best story behind it."""

    honest: float
    guilt: dict[tuple[int, ...], float]
    best: dict[tuple[int, ...], Story]


def weigh(
    mount: LinearMount | WormMount | None,
    site: Site,
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
    honest = 1.0
    doubtful: list[Suspect] = []
    fits = fits_of(mount, site, kept)
    while len(kept) >= 2:
        judged = _judge(fits, listed, approach)
        honest = judged.honest
        worst = max(judged.guilt, key=judged.guilt.__getitem__)
        story = judged.best[worst]
        accused = [kept[at] for at in worst]
        room = len(kept) - len(accused) >= 2 if len(accused) > 1 else len(suspects) < most
        if judged.guilt[worst] < NAMED or not room:
            if len(suspects) < most:
                doubtful = _doubtful(judged, blend_of(fits).likeliest())
            break
        kept = [peak for peak in kept if peak not in accused]
        fits = fits_of(mount, site, kept)
        offs = _offs(blend_of(fits).likeliest(), accused)
        says = tell(story, math.fsum(offs) / len(offs))
        suspects += [
            Suspect(peak.number, says, off, story.code)
            for peak, off in zip(accused, offs, strict=True)
        ]
    blend = blend_of(fits)
    fit, notes = fit_for(mount, blend)
    if len(kept) < 2:
        honest = 1.0
    return Weighed(fit, blend, tuple(suspects + doubtful), honest, tuple(notes))


def _doubtful(judged: _Judged, fit: Fit) -> list[Suspect]:
    """The single peak whose stories come nearest to outweighing the rest, where they come near."""
    at = max((at for at in judged.guilt if len(at) == 1), key=judged.guilt.__getitem__)
    if judged.guilt[at] < PERHAPS:
        return []
    peak, story = fit.peaks[at[0]], judged.best[at]
    others = [other for other in fit.peaks if other is not peak]
    (off,) = _offs(fit_peaks(fit.curve, others, noise_sd=fit.noise_sd), [peak])
    return [Suspect(peak.number, tell(story, off, sure=False), off, story.code, sure=False)]


def _offs(fit: Fit, peaks: Sequence[Peak]) -> list[float]:
    """How far peaks are west of where a fit without them puts them, in counts."""
    told, _ = fit.predict([peak.hour_angle_deg for peak in peaks])
    return [peak.count - float(n) for peak, n in zip(peaks, told, strict=True)]


def _judge(
    fits: Sequence[tuple[Fit, float]], listed: Sequence[Neighbour], approach: str | None
) -> _Judged:
    """All stories under all curves that the peaks may follow, weighed against each other."""
    stories: list[Story | None] = []  # None: all are honest
    logs: list[float] = []
    for fit, log_odds in fits:
        weighing = _Weighing(fit, listed)
        all_well = log_odds + weighing.honest
        told = stories_of(fit.peaks, listed, fit.counts_per_deg, approach)
        stories += [None, *told]
        logs += [all_well, *(all_well + s.log_odds + weighing.log_ratio(s) for s in told)]
    chance = np.exp(np.array(logs) - max(logs))
    chance /= chance.sum()
    honest = 0.0
    guilt: dict[tuple[int, ...], float] = {}
    best: dict[tuple[int, ...], tuple[float, Story]] = {}
    for share, story in zip(chance.tolist(), stories, strict=True):
        if story is None:
            honest += share
            continue
        guilt[story.at] = guilt.get(story.at, 0.0) + share
        if story.at not in best or share > best[story.at][0]:
            best[story.at] = (share, story)
    return _Judged(honest, guilt, {at: story for at, (_, story) in best.items()})


class _Weighing:
    """How probable a story makes the taught counts, against the story that all are honest.

    All unknowns are averaged over: taught less fitted counts are normal about what the fit's
    slopes carry of the prior knowledge. `honest` is the log of that density.
    """

    def __init__(self, fit: Fit, listed: Sequence[Neighbour]) -> None:
        hours = [peak.hour_angle_deg for peak in fit.peaks]
        everywhere = np.array(hours + [other.hour_angle_deg for other in listed])
        slopes = fit.curve.slopes(fit.z, everywhere)
        prior = fit.curve.counts(fit.z, everywhere) - slopes @ fit.z
        n = len(hours)
        self._taught = np.array([peak.count for peak in fit.peaks], dtype=np.float64)
        self._slopes, self._left = slopes[:n], self._taught - prior[:n]
        self._others = {
            other.number: (slopes[n + k], float(prior[n + k])) for k, other in enumerate(listed)
        }
        self._noise: Array = fit.noise_sd**2 * np.eye(n)
        self.honest = self._log_density(self._slopes, self._left)
        spread = self._slopes @ self._slopes.T + self._noise
        self._precision = np.linalg.inv(spread)

    def log_ratio(self, story: Story) -> float:
        if story.stands_in is not None:
            (at,) = story.at
            slopes, left = self._slopes.copy(), self._left.copy()
            slopes[at], there = self._others[story.stands_in.number]
            left[at] = self._taught[at] - there
            return self._log_density(slopes, left) - self.honest
        # The accused are off by a normal amount: one rank more of the spread (Sherman, Morrison).
        accused = np.zeros(len(self._left))
        accused[list(story.at)] = 1.0
        held = self._precision @ accused
        pull, stiff = float(held @ self._left), float(held @ accused)
        still = pull - stiff * story.shift
        loose = 1.0 + story.sd**2 * stiff
        closer = 2.0 * pull * story.shift - stiff * story.shift**2 + story.sd**2 * still**2 / loose
        return 0.5 * (closer - math.log(loose))

    def _log_density(self, slopes: Array, left: Array) -> float:
        spread = slopes @ slopes.T + self._noise
        _, log_size = np.linalg.slogdet(spread)
        return float(-0.5 * (left @ np.linalg.solve(spread, left) + log_size))
