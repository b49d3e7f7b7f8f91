"""What happened to the counts, judged from satellites peaked again and ends read again.

Every cause is screened by how probable it makes the readings, its unknown amounts averaged over.
Where the readings do not tell causes apart, the reading that would is named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sim.counts.fit import NOISE_SD, Fit
from sim.counts.normal import log_density
from sim.lists.causes import NOTHING, ODD, SLIPPED, TWISTED, ArcPlace, Cause, causes_of
from sim.sky.belt import Site

Array = NDArray[np.float64]

PEAK_MOVE_SD = math.sqrt(2.0) * NOISE_SD  # counts, difference of two peaks; computed
END_MOVE_SD = 1.2  # counts, an end switch met twice with its coast; judgement
SURE = 0.9  # 1, probability from which a cause is named; judgement
VAGUE_SD = 15.0  # counts, an expectation wider than this tells nothing; judgement
AGREES, DISAGREES = 2.0, 2.5  # deviations up to which, and from which on; judgement
SMALLEST = 1e-12  # 1, chance that stands for none; judgement
WORTH_READING = 1.5  # deviations between two causes that make a reading worth taking; judgement


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one reading says of one cause, in words, and whether it speaks for it."""

    key: int | str
    verdict: Literal["for", "against", "open"]
    text: str


@dataclass(frozen=True, slots=True)
class CauseEstimate:
    """One cause with its probability, its amount, and what each reading says of it."""

    name: str
    probability: float
    amount: float
    amount_sd: float
    unit: str
    detail: str
    rms: float  # counts, readings less what the cause makes of them
    evidence: tuple[Evidence, ...]
    best: Cause
    moves: Array  # (n,) expected moves of all places
    moves_sd: Array  # (n,)


@dataclass(frozen=True, slots=True)
class NextReading:
    """The reading that would decide, with what each cause expects there."""

    key: int | str
    text: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All causes, most probable first; `cause` is None where the readings cannot tell.

    `now` holds the new readings by the places' keys.
    """

    places: tuple[ArcPlace, ...]
    now: dict[int | str, float]
    estimates: tuple[CauseEstimate, ...]
    cause: CauseEstimate | None
    next_reading: NextReading | None


@dataclass(frozen=True, slots=True)
class _Readings:
    """Moves of the places read again, and the noise of a move at every place."""

    at: list[int]
    moves: Array  # (m,) counts
    noise: Array  # (n,) counts

    def without(self, one: int) -> _Readings:
        keep = [n for n in range(len(self.at)) if n != one]
        return _Readings([self.at[n] for n in keep], self.moves[keep], self.noise)


def diagnose(
    places: Sequence[ArcPlace], now: dict[int | str, float], fit: Fit, site: Site
) -> Diagnosis:
    """Weigh what may have happened; `now` holds the new readings by the places' keys."""
    at = [n for n, place in enumerate(places) if place.key in now]
    moves = np.array([now[places[n].key] - places[n].before for n in at])
    noise = np.array(
        [END_MOVE_SD if place.hour_angle_deg is None else PEAK_MOVE_SD for place in places]
    )
    readings = _Readings(at, moves, noise)
    causes = causes_of(places, at, fit, site)
    logs = np.array(
        [
            cause.log_odds + _log_density(cause, readings) + _log_worth(cause, readings)
            for cause in causes
        ]
    )
    chance = np.exp(logs - logs.max())
    chance /= chance.sum()
    estimates = []
    for name in dict.fromkeys(cause.name for cause in causes):
        mine = [n for n, cause in enumerate(causes) if cause.name == name]
        best = max(mine, key=chance.__getitem__)
        estimates.append(_estimate(causes[best], float(chance[mine].sum()), places, readings))
    estimates.sort(key=lambda estimate: -estimate.probability)
    first = estimates[0]
    # One reading that moved fits a neighbour's spacing as well as any other shift.
    enough = len(at) > 1 or first.name == NOTHING
    sure = enough and first.probability >= SURE and first.name != ODD
    return Diagnosis(
        tuple(places), dict(now), tuple(estimates), first if sure else None,
        _next_reading(places, at, estimates, noise),
    )  # fmt: skip


def _log_density(cause: Cause, readings: _Readings) -> float:
    """Log of how probable a cause makes the readings, its amounts averaged over."""
    residuals = readings.moves - cause.fixed[readings.at]
    return log_density(residuals, _covariance(cause, readings))


def _log_worth(cause: Cause, readings: _Readings) -> float:
    """Log of how much the readings raise the chance that each amount is more than nothing.

    An amount too small to be seen is no cause: without this, every cause would claim a part of
    what agrees within the noise.
    """
    if not cause.least:
        return 0.0
    mean, covariance = _amounts(cause, readings)
    before = after = 0.0  # chances that some amount is too small
    for k, least in enumerate(cause.least):
        before += _within(least, 0.0, 1.0)
        after += _within(least, float(mean[k]), math.sqrt(max(0.0, float(covariance[k, k]))))
    return math.log(max(1.0 - after, SMALLEST)) - math.log(max(1.0 - before, SMALLEST))


def _within(least: float, mean: float, sd: float) -> float:
    """Chance that an amount of that mean and deviation is smaller than `least` either way."""
    if sd == 0.0:
        return float(abs(mean) < least)
    amount = NormalDist(mean, sd)
    return amount.cdf(least) - amount.cdf(-least)


def _covariance(cause: Cause, readings: _Readings) -> Array:
    """Covariance (m, m) of the moves that were read, about the cause's fixed part."""
    parts, individual = cause.parts[readings.at], cause.individual_sd[readings.at]
    covariance: Array = parts @ parts.T + np.diag(readings.noise[readings.at] ** 2 + individual**2)
    return covariance


def _amounts(cause: Cause, readings: _Readings) -> tuple[Array, Array]:
    """Unknown amounts of a cause in prior deviations, and their covariance, given readings."""
    q = cause.parts.shape[1]
    if not len(readings.at) or not q:
        return np.zeros(q), np.eye(q)
    gain = np.linalg.solve(_covariance(cause, readings), cause.parts[readings.at]).T
    mean: Array = gain @ (readings.moves - cause.fixed[readings.at])
    covariance: Array = np.eye(q) - gain @ cause.parts[readings.at]
    return mean, covariance


def _expected(cause: Cause, readings: _Readings) -> tuple[Array, Array]:
    """Moves of all places that a cause expects after the readings, and how wide."""
    mean, covariance = _amounts(cause, readings)
    expected: Array = cause.fixed + cause.parts @ mean
    variance = np.einsum("nq,qr,nr->n", cause.parts, covariance, cause.parts)
    return expected, np.sqrt(np.maximum(variance, 0.0) + cause.individual_sd**2)


def _estimate(
    cause: Cause, probability: float, places: Sequence[ArcPlace], readings: _Readings
) -> CauseEstimate:
    mean, covariance = _amounts(cause, readings)
    amount, amount_sd = 0.0, 0.0
    if len(mean):
        amount, amount_sd = (
            cause.amount * mean[0],
            cause.amount * math.sqrt(max(0.0, covariance[0, 0])),
        )
    expected, sd = _expected(cause, readings)
    residuals = readings.moves - expected[readings.at]
    rms = float(np.sqrt(np.mean(residuals**2))) if len(residuals) else 0.0
    evidence = []
    for n, where in enumerate(readings.at):
        others_expect, others_sd = _expected(cause, readings.without(n))
        sd_here = math.hypot(others_sd[where], readings.noise[where])
        if len(readings.at) == 1 and cause.parts[where].any():
            sd_here = math.inf  # no other reading tells the amount, so any would do
        evidence.append(_evidence(places[where], readings.moves[n], others_expect[where], sd_here))
    return CauseEstimate(
        cause.name, probability, float(amount), float(amount_sd), cause.unit, cause.detail, rms,
        tuple(evidence), cause, expected, sd,
    )  # fmt: skip


def _evidence(place: ArcPlace, move: float, expected: float, sd: float) -> Evidence:
    moved = f"{place.label} moved {move:+.0f}"
    if sd > VAGUE_SD:
        return Evidence(place.key, "open", f"{moved}; any move would do")
    off = abs(move - expected) / sd
    verdict: Literal["for", "against", "open"]
    verdict = "for" if off <= AGREES else "against" if off >= DISAGREES else "open"
    return Evidence(place.key, verdict, f"{moved}, expected {expected:+.0f} ±{2 * sd:.0f}")


def _next_reading(
    places: Sequence[ArcPlace],
    measured: list[int],
    estimates: Sequence[CauseEstimate],
    noise: Array,
) -> NextReading | None:
    """The reading not yet taken that separates the two likeliest causes best."""
    likeliest = [estimate for estimate in estimates if estimate.name != ODD][:2]
    first, second = likeliest
    best, best_apart = None, WORTH_READING
    for n in sorted(set(range(len(places))) - set(measured)):
        sd = math.hypot(noise[n], first.moves_sd[n], second.moves_sd[n])
        apart = abs(first.moves[n] - second.moves[n]) / sd
        if apart > best_apart:
            best, best_apart = n, apart
    level = ""
    if {first.name, second.name} == {SLIPPED, TWISTED}:
        level = (
            "compare the level at both ends of the arc after a nudge: full means the clamp, short"
            " of it the pole"
        )
    if best is None:
        return NextReading("level", level) if level else None
    level = f"; or {level}" if level else ""
    place = places[best]
    if place.hour_angle_deg is None:
        expected = ", ".join(
            f"{e.name} expects it {e.moves[best]:+.0f} from before" for e in likeliest
        )
        return NextReading(place.key, f"read the {place.key} end: {expected}{level}")
    expected = ", ".join(f"{e.name} expects {place.before + e.moves[best]:.0f}" for e in likeliest)
    text = f"re-peak {place.label}, {place.before:.0f} before: {expected}{level}"
    return NextReading(place.key, text)
