"""What happened to the counts, judged from satellites peaked again and ends read again.

Every cause is screened by how probable it makes the readings, its unknown amounts averaged over.
What no reading tells apart stays undecided, and the reading that would decide is named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.counts.fit import NOISE_SD, Fit
from sim.lists.causes import NOTHING, ODD, SLIPPED, TWISTED, Cause, Place, causes_of
from sim.sky.belt import Site

Array = NDArray[np.float64]

PEAK_MOVE_SD = math.sqrt(2.0) * NOISE_SD  # counts, two peaks apart
END_MOVE_SD = 1.2  # counts, an end switch met twice with its coast; judgement
SURE = 0.9  # probability from which a cause is named; judgement
TELLS_SD = 15.0  # counts, an expectation wider than this tells nothing; judgement
AGREES, DISAGREES = 2.0, 2.5  # deviations within which a reading speaks for, beyond which against
SMALLEST = 1e-12  # chance that stands for none
APART = 1.5  # deviations between two causes that make a reading worth taking; judgement


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one reading says of one cause: `verdict` is "for", "against" or "open"."""

    key: int | str
    verdict: str
    text: str


@dataclass(frozen=True, slots=True)
class CauseEstimate:
    """One cause with its probability, its amount, and what each reading says of it."""

    name: str
    probability: float
    amount: float
    amount_sd: float
    unit: str
    also: str
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
    """All causes, most probable first; `cause` is None where the readings cannot tell."""

    places: tuple[Place, ...]
    now: dict[int | str, float]
    weights: tuple[CauseEstimate, ...]
    cause: CauseEstimate | None
    decide: NextReading | None


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
    places: Sequence[Place], now: dict[int | str, float], fit: Fit, site: Site
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
    weights = []
    for name in dict.fromkeys(cause.name for cause in causes):
        mine = [n for n, cause in enumerate(causes) if cause.name == name]
        best = max(mine, key=chance.__getitem__)
        weights.append(_weight(causes[best], float(chance[mine].sum()), places, readings))
    weights.sort(key=lambda weight: -weight.probability)
    # One reading that moved fits a neighbour's spacing as well as any other shift.
    enough = len(at) > 1 or weights[0].name == NOTHING
    sure = enough and weights[0].probability >= SURE and weights[0].name != ODD
    return Diagnosis(
        tuple(places), dict(now), tuple(weights), weights[0] if sure else None,
        _decide(places, at, weights, noise),
    )  # fmt: skip


def _log_density(cause: Cause, readings: _Readings) -> float:
    left = readings.moves - cause.fixed[readings.at]
    spread = _spread(cause, readings)
    _, log_size = np.linalg.slogdet(spread)
    return float(-0.5 * (left @ np.linalg.solve(spread, left) + log_size))


def _log_worth(cause: Cause, readings: _Readings) -> float:
    """Log of how much the readings raise the chance that each amount is more than nothing.

    An amount too small to be readings is no cause: without this, every cause would claim a part of
    what agrees within the noise.
    """
    if not cause.least:
        return 0.0
    mean, spread = _amounts(cause, readings)
    before = after = 0.0  # chances that some amount is too small
    for k, least in enumerate(cause.least):
        before += _within(least, 0.0, 1.0)
        after += _within(least, float(mean[k]), math.sqrt(max(0.0, float(spread[k, k]))))
    return math.log(max(1.0 - after, SMALLEST)) - math.log(max(1.0 - before, SMALLEST))


def _within(least: float, mean: float, sd: float) -> float:
    """Chance that an amount of that mean and deviation is smaller than `least` either way."""
    if sd == 0.0:
        return float(abs(mean) < least)
    root = math.sqrt(2.0) * sd
    return 0.5 * (math.erf((least - mean) / root) + math.erf((least + mean) / root))


def _spread(cause: Cause, readings: _Readings) -> Array:
    parts, own = cause.parts[readings.at], cause.own_sd[readings.at]
    spread: Array = parts @ parts.T + np.diag(readings.noise[readings.at] ** 2 + own**2)
    return spread


def _amounts(cause: Cause, readings: _Readings) -> tuple[Array, Array]:
    """Unknown amounts of a cause in prior deviations, and their covariance, given readings."""
    q = cause.parts.shape[1]
    if not len(readings.at) or not q:
        return np.zeros(q), np.eye(q)
    gain = np.linalg.solve(_spread(cause, readings), cause.parts[readings.at]).T
    mean: Array = gain @ (readings.moves - cause.fixed[readings.at])
    spread: Array = np.eye(q) - gain @ cause.parts[readings.at]
    return mean, spread


def _expected(cause: Cause, readings: _Readings) -> tuple[Array, Array]:
    """Moves of all places that a cause expects after what was readings, and how wide."""
    mean, spread = _amounts(cause, readings)
    expected: Array = cause.fixed + cause.parts @ mean
    variance = np.einsum("nq,qr,nr->n", cause.parts, spread, cause.parts)
    return expected, np.sqrt(np.maximum(variance, 0.0) + cause.own_sd**2)


def _weight(
    cause: Cause, probability: float, places: Sequence[Place], readings: _Readings
) -> CauseEstimate:
    mean, spread = _amounts(cause, readings)
    amount, amount_sd = 0.0, 0.0
    if len(mean):
        amount, amount_sd = cause.amount * mean[0], cause.amount * math.sqrt(max(0.0, spread[0, 0]))
    expected, sd = _expected(cause, readings)
    left = readings.moves - expected[readings.at]
    rms = math.sqrt(float(left @ left) / len(left)) if len(left) else 0.0
    evidence = []
    for n, where in enumerate(readings.at):
        told, wide = _expected(cause, readings.without(n))
        spread_here = math.hypot(wide[where], readings.noise[where])
        if len(readings.at) == 1 and cause.parts[where].any():
            spread_here = math.inf  # nothing else says how much, so any amount would do
        evidence.append(_speak(places[where], readings.moves[n], told[where], spread_here))
    return CauseEstimate(
        cause.name, probability, float(amount), float(amount_sd), cause.unit, cause.also, rms,
        tuple(evidence), cause, expected, sd,
    )  # fmt: skip


def _speak(place: Place, move: float, expected: float, sd: float) -> Evidence:
    moved = f"{call(place)} moved {move:+.0f}"
    if sd > TELLS_SD:
        return Evidence(place.key, "open", f"{moved}; any move would do")
    off = abs(move - expected) / sd
    verdict = "for" if off <= AGREES else "against" if off >= DISAGREES else "open"
    return Evidence(place.key, verdict, f"{moved}, expected {expected:+.0f} ±{2 * sd:.0f}")


def _decide(
    places: Sequence[Place], measured: list[int], weights: Sequence[CauseEstimate], noise: Array
) -> NextReading | None:
    """The reading not yet taken that parts the two likeliest causes the most."""
    known = [weight for weight in weights if weight.name != ODD][:2]
    if len(known) < 2:
        return None
    first, second = known
    best, best_apart = None, APART
    for n in set(range(len(places))) - set(measured):
        wide = math.hypot(noise[n], math.hypot(first.moves_sd[n], second.moves_sd[n]))
        apart = abs(first.moves[n] - second.moves[n]) / wide
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
        told = [
            f"{weight.name} expects it {weight.moves[best]:+.0f} from before" for weight in known
        ]
        return NextReading(place.key, f"read the {place.key} end: {', '.join(told)}{level}")
    told = [f"{weight.name} expects {place.before + weight.moves[best]:.0f}" for weight in known]
    text = f"re-peak {call(place)}, {place.before:.0f} before: {', '.join(told)}{level}"
    return NextReading(place.key, text)


def call(place: Place) -> str:
    """What a person calls a place."""
    return f"{place.key} end" if place.hour_angle_deg is None else f"{place.key} {place.name}"
