"""Invented rigs that put `positions shift` to the proof, beside an oracle that reads the same.

    python tests/benchmarks/shift_study.py [RIGS] [SEED]

To each rig one thing happens, drawn from the ranges below. The oracle knows what `shift` does not:
the rig's true geometry and pole, the ranges and odds that the amounts are drawn from, and the
noise. It weighs the same readings by likelihood over a grid of amounts. Where it is 95 % sure of
one cause, the evidence can tell.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray
from predict_study import Rig, draw_rig, peak
from scipy.special import logsumexp, ndtr

from sim.counts.curve import curve_of
from sim.counts.fit import Peak, fit_peaks
from sim.lists.causes import ACTUATOR, LOST, NOTHING, SLIPPED, TWISTED, WRONG, ArcPlace
from sim.lists.shift import Diagnosis, diagnose

Array = NDArray[np.float64]
Random = np.random.Generator

RIGS = 500
CAUSES = (LOST, SLIPPED, TWISTED, ACTUATOR, WRONG, NOTHING)
SHIFTS = (5, 59)  # counts, lost or slipped, either way
TWISTS_DEG = (0.5, 3.0)  # either way
SCALES = (0.5, 0.8, 0.95, 1.05, 1.2, 2.0)  # of counts per mm
ZEROS = (-80.0, 80.0)  # counts
OWN_EAST, OWN_WEST = 20.0, 60.0  # counts either way that another actuator's ends are elsewhere
END_SD = (0.7**2 + 1.0 / 12.0) ** 0.5  # counts, an end read anew, with the rounding
MOVE_SD = 2.0**0.5  # counts, two peaks apart
SURE = 0.95  # probability from which the oracle can tell
PLANS = ((1, ()), (2, ()), (2, ("east",)), (3, ("east",)), (3, ("east", "west")), (5, ("east",)))


@dataclass(frozen=True, slots=True)
class Visit:
    """What was read before and after one thing happened to a rig."""

    rig: Rig
    cause: str
    before: Array
    end_before: Array
    at: list[int]  # satellites peaked again
    sides: tuple[str, ...]
    peaks: Array
    ends: Array  # east and west, of which `sides` were read

    @property
    def moves(self) -> Array:
        return self.peaks - self.before[self.at]

    @property
    def read(self) -> list[int]:
        return [k for k, side in enumerate(("east", "west")) if side in self.sides]


def draw_visit(random: Random, cause: str, again: int, sides: Sequence[str]) -> Visit:
    rig = draw_rig(random)
    n = len(rig.hours)
    before = peak(random, rig.true)
    end_before = np.array([0.0, round(float(rig.true[-1]) + 40.0)])
    true, end_now = rig.true, end_before
    some = float(random.choice([-1, 1]) * random.integers(SHIFTS[0], SHIFTS[1] + 1))
    if cause == LOST:
        true, end_now = true + some, end_now + some
    elif cause == SLIPPED:
        true = true + some
    elif cause == TWISTED:
        true = rig.true + _turned(rig, float(random.choice([-1, 1]) * random.uniform(*TWISTS_DEG)))
    elif cause == ACTUATOR:
        scale, zero = float(random.choice(SCALES)), float(random.uniform(*ZEROS))
        true = scale * true + zero
        own = random.uniform(-OWN_EAST, OWN_EAST), random.uniform(-OWN_WEST, OWN_WEST)
        end_now = scale * end_before + own
    at = [round(k) for k in np.linspace(0.05 * (n - 1), 0.95 * (n - 1), again)]
    seen = peak(random, true)
    if cause == WRONG:
        one = int(random.choice(at))
        near = [k for k in (one - 1, one + 1) if 0 <= k < n]
        seen[one] = peak(random, true)[int(random.choice(near))]
    ends = np.round(end_now + random.normal(0, 0.7, 2))
    return Visit(rig, cause, before, end_before, at, tuple(sides), seen[at], ends)


def _turned(rig: Rig, turn_deg: float) -> Array:
    pole = replace(rig.pole, twist_deg=rig.pole.twist_deg + turn_deg)
    return rig.counts(pole) - rig.counts(rig.pole)


def ask_product(visit: Visit) -> Diagnosis:
    """The diagnosis of the program, which sees the file and the readings alone."""
    rig = visit.rig
    now: dict[int | str, float] = dict(zip(visit.at, visit.peaks, strict=True))
    now |= {("east", "west")[k]: float(visit.ends[k]) for k in visit.read}
    peaks = [
        Peak(k, float(h), float(c))
        for k, (h, c) in enumerate(zip(rig.hours, visit.before, strict=True))
    ]
    places = [ArcPlace(p.number, f"S{p.number}", p.count, p.hour_angle_deg) for p in peaks]
    places += [ArcPlace("east", "", visit.end_before[0]), ArcPlace("west", "", visit.end_before[1])]
    return diagnose(places, now, fit_peaks(curve_of(rig.mount, rig.site), peaks), rig.site)


def ask_oracle(visit: Visit) -> dict[str, float]:
    """Probability of each cause, all being met as often, by the likelihood of the readings."""
    logs = {cause: _likelihood(visit, cause) for cause in CAUSES}
    whole = logsumexp(list(logs.values()))
    return {cause: float(np.exp(log - whole)) for cause, log in logs.items()}


def _likelihood(visit: Visit, cause: str) -> float:
    """Log of the density of all readings, averaged over the amounts."""
    logs = [
        _normal(visit.moves - moves, MOVE_SD) + _ends(visit, cause, shift)
        for moves, shift in _expected(visit, cause)
    ]
    return float(logsumexp(logs) - np.log(len(logs)))


def _expected(visit: Visit, cause: str) -> Iterator[tuple[Array, float]]:
    """Moves of the satellites peaked again, and a number of the ends', for each amount."""
    true, at = visit.rig.true, visit.at
    if cause in (LOST, SLIPPED):
        for some, sign in product(range(SHIFTS[0], SHIFTS[1] + 1), (-1.0, 1.0)):
            yield np.full(len(at), sign * some), sign * some
    elif cause == TWISTED:
        few = replace(visit.rig, longitudes=visit.rig.longitudes[at])
        for turn, sign in product(np.linspace(*TWISTS_DEG, 26), (-1.0, 1.0)):
            yield _turned(few, sign * float(turn)), 0.0
    elif cause == ACTUATOR:
        for scale, zero in product(SCALES, np.linspace(*ZEROS, 161)):
            yield (scale - 1.0) * true[at] + zero, scale
    elif cause == WRONG:
        near = {
            k: [j for j in (at[k] - 1, at[k] + 1) if 0 <= j < len(true)] for k in range(len(at))
        }
        for k, others in near.items():
            for other in others * (2 // len(others)):  # each satellite as often
                moves = np.zeros(len(at))
                moves[k] = true[other] - true[at[k]]
                yield moves, 0.0
    else:
        yield np.zeros(len(at)), 0.0


def _ends(visit: Visit, cause: str, number: float) -> float:
    log = 0.0
    for k in visit.read:
        move = visit.ends[k] - visit.end_before[k]
        if cause == ACTUATOR:  # another actuator's ends: anywhere in a range, blurred by reading
            wide = (OWN_EAST, OWN_WEST)[k]
            off = visit.ends[k] - number * visit.end_before[k]
            inside = ndtr((off + wide) / END_SD) - ndtr((off - wide) / END_SD)
            log += float(np.log(max(inside, 1e-300) / (2.0 * wide)))
        else:
            log += _normal(np.array([move - (number if cause == LOST else 0.0)]), END_SD)
    return log


def _normal(off: Array, sd: float) -> float:
    return float(-0.5 * np.sum((off / sd) ** 2) - len(off) * np.log(sd * (2.0 * np.pi) ** 0.5))


@dataclass(slots=True)
class Told:
    """What the program said of many visits with one cause, sorted by what the oracle could tell."""

    can: Counter[str]  # where the oracle is sure
    cannot: Counter[str]
    oracle_right: int = 0  # of those where it is sure

    @property
    def all(self) -> int:
        return self.can.total() + self.cannot.total()


def study(rigs: int, cause: str, again: int, sides: Sequence[str], seed: int) -> Told:
    """Ask both of so many rigs; answers are "right", "wrong" and "cannot tell"."""
    random = np.random.default_rng([seed, CAUSES.index(cause), again, len(sides)])
    told = Told(Counter(), Counter())
    for _ in range(rigs):
        visit = draw_visit(random, cause, again, sides)
        named = ask_product(visit).cause
        answer = "cannot tell" if named is None else "right" if named.name == cause else "wrong"
        chances = ask_oracle(visit)
        best = max(chances, key=chances.__getitem__)
        if chances[best] >= SURE:
            told.can[answer] += 1
            told.oracle_right += best == cause
        else:
            told.cannot[answer] += 1
    return told


def main() -> None:
    rigs = int(sys.argv[1]) if len(sys.argv) > 1 else RIGS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2026
    began_s = time.perf_counter()
    print(f"{rigs} invented rigs a line, seed {seed}; the evidence can tell where an oracle that")
    print(f"knows geometry, odds and noise is {SURE:.0%} sure\n")
    print(f"{'':<38} {'can':>6}  {'of these':^25}  {'of the rest':^25}")
    print(
        f"{'re-peaks, ends, what happened':<38} {'tell':>6}  {'right':>7} {'wrong':>7} {'open':>7}"
        f"    {'right':>7} {'wrong':>7} {'open':>7}"
    )
    for again, sides in PLANS:
        sums = Told(Counter(), Counter())
        for cause in CAUSES:
            told = study(rigs, cause, again, sides, seed)
            sums.can += told.can
            sums.cannot += told.cannot
            sums.oracle_right += told.oracle_right
            _print(f"{again} + {len(sides)} ends  {cause}", told)
        _print(f"{again} + {len(sides)} ends  all", sums)
        named = sums.all - sums.can["cannot tell"] - sums.cannot["cannot tell"]
        right = sums.can["right"] + sums.cannot["right"]
        sure = max(1, sums.can.total())
        print(
            f"    of {named} that it named {right / max(1, named):.2%} right;"
            f" the oracle where sure {sums.oracle_right / sure:.2%}\n"
        )
    print(f"{time.perf_counter() - began_s:.0f} s")


def _print(label: str, told: Told) -> None:
    parts = []
    for book in (told.can, told.cannot):
        whole = max(1, book.total())
        parts.append(" ".join(f"{book[w] / whole:7.1%}" for w in ("right", "wrong", "cannot tell")))
    print(f"{label:<38} {told.can.total() / told.all:6.1%}  {'    '.join(parts)}")


if __name__ == "__main__":
    main()
