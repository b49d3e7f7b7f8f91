"""Invented rigs that put `positions predict` and `positions shift` to the proof.

    python tests/benchmarks/predict_study.py [RIGS] [SEED]

Every rig is drawn afresh: site, list, linkage, and a pole that is twisted, leans and is tilted a
little wrong, none of which the fit knows. The station file holds what a tape measure made of it.
Peaks are off by noise of one count, and all arrive from one side, so that backlash is alike.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from bridge.station import LinearMount, WormMount
from sim.plan.causes import ACTUATOR, LOST, NOTHING, SLIPPED, TWISTED, WRONG, Place
from sim.plan.choice import curve_for
from sim.plan.curve import curve_of
from sim.plan.fit import Peak, fit_peaks
from sim.plan.shift import judge
from sim.plan.story import Neighbour
from sim.plan.suspect import Weighed, weigh
from sim.sky.belt import Site
from sim.sky.polar import Mount, hour_angle_deg, modified_mount, true_mount

Array = NDArray[np.float64]
Random = np.random.Generator

RIGS = 500
SPACINGS_DEG = (2.0, 2.5, 3.0, 3.0, 4.0, 5.0, 6.5)  # of longitude; 2-3 deg is common practice
CAUSES = (LOST, SLIPPED, TWISTED, ACTUATOR, WRONG, NOTHING)


@dataclass(frozen=True, slots=True)
class Rig:
    """A dish as it is, and what its station file says of it."""

    site: Site
    pole: Mount  # as it stands, errors and all
    longitudes: Array
    hours: Array  # as the site and the longitudes give them
    true: Array  # counts at which the satellites really peak
    mount: LinearMount | WormMount  # as measured
    linkage: tuple[float, ...]  # as it is

    def counts(self, pole: Mount) -> Array:
        """True counts of all satellites under a pole."""
        mounted = np.array(
            [pole.aim(self.site.to_satellite(lon)).hour_angle_deg for lon in self.longitudes]
        )
        if len(self.linkage) == 2:
            per_deg, noon = self.linkage
            return noon + per_deg * mounted
        p, q, noon_deg, zero_mm, per_mm = self.linkage
        angle = np.radians(noon_deg + mounted)
        return per_mm * (np.sqrt(p * p + q * q - 2.0 * p * q * np.cos(angle)) - zero_mm)


def draw_rig(random: Random, *, worm: bool = False, tape_sd_mm: float = 3.0) -> Rig:
    """A rig of common sizes; its lengths are measured with a deviation of a few mm."""
    while True:
        site = Site(random.uniform(20, 60) * random.choice([-1, 1]), 0.0, 100.0)
        settings = true_mount(site) if random.random() < 0.5 else modified_mount(site)
        pole = replace(
            settings,
            axis_tilt_deg=settings.axis_tilt_deg + random.normal(0, 0.2),
            twist_deg=random.normal(0, 0.5),
            lean_deg=random.normal(0, 0.3),
        )
        longitudes = 52.0 - np.cumsum(random.choice(SPACINGS_DEG, 40))
        hours = np.array([hour_angle_deg(site, lon) for lon in longitudes])
        inside = np.abs(hours) < 46.0
        longitudes, hours = longitudes[inside], hours[inside]
        linkage, mount = _worm(random) if worm else _linear(random, tape_sd_mm)
        rig = Rig(site, pole, longitudes, hours, hours, mount, linkage)
        true = rig.counts(pole) + random.integers(1, 5)  # backlash, taken up on the same side
        if np.all(np.diff(true) > 4.0):
            return replace(rig, true=true)


def _linear(random: Random, tape_sd_mm: float) -> tuple[tuple[float, ...], LinearMount]:
    p, q, noon = random.uniform(440, 600), random.uniform(350, 500), random.uniform(82, 98)
    per_mm = 48.0 / 25.4
    turned = math.radians(noon - 49.0)
    zero = math.sqrt(p * p + q * q - 2.0 * p * q * math.cos(turned))
    measured = LinearMount(
        kind="linear",
        frame_pivot_mm=p + random.normal(0, tape_sd_mm),
        dish_pivot_mm=q + random.normal(0, tape_sd_mm),
        retracted_mm=zero + random.normal(0, tape_sd_mm),
        stroke_mm=610.0,
        counts_per_mm=per_mm,
        noon_angle_deg=noon + random.normal(0, 0.7),
    )
    return (p, q, noon, zero, per_mm * (1.0 + random.normal(0, 0.0015))), measured


def _worm(random: Random) -> tuple[tuple[float, ...], WormMount]:
    per_deg, noon = random.uniform(8, 25), random.uniform(800, 1500)
    measured = WormMount(
        kind="worm",
        counts_per_deg=per_deg * (1.0 + random.normal(0, 0.002)),
        noon_count=round(noon + random.normal(0, 15)),
    )
    return (per_deg, noon), measured


def peak(random: Random, true: Array, *, good: bool = False) -> Array:
    """Counts as taught: one count rms with the rounding, or `good`: within one of the truth."""
    if good:  # the whole count on either side, whichever
        return np.asarray(np.floor(true) + random.integers(0, 2, np.shape(true)))
    rounded_off = 1.0 / 12.0  # variance that whole counts add
    return np.round(true + random.normal(0, math.sqrt(1.0 - rounded_off), np.shape(true)))


def spread(number: int, taught: int) -> list[int]:
    """Satellites spread over the list, both ends included."""
    if taught == 1:
        return [number // 2]
    return sorted({round(n) for n in np.linspace(0, number - 1, taught)})


def weigh_rig(
    rig: Rig, counts: Array, at: Sequence[int], *, bare: bool = False, days: Sequence[int] = ()
) -> Weighed:
    """The station's list as `positions predict` weighs it; `bare` is without [mount]."""
    peaks = [
        Peak(n, float(rig.hours[n]), float(counts[n]), date(2026, 5, days[k]) if days else None)
        for k, n in enumerate(at)
    ]
    listed = [Neighbour(n, f"S{n}", float(hour)) for n, hour in enumerate(rig.hours)]
    curve, _ = curve_for(None if bare else rig.mount, rig.site, peaks)
    return weigh(curve, peaks, listed)


@dataclass(frozen=True, slots=True)
class Held:
    """How predictions of untaught satellites turned out."""

    inside: float  # share of the truth within the 95 % band
    median: float  # counts, of the absolute errors
    most: float  # counts, 95 % of errors within
    named: float  # share of honest peaks named as suspects


def study_bands(
    rigs: int, taught: int, seed: int, *, good: bool = False, worm: bool = False,
    bare: bool = False, tape_sd_mm: float = 3.0,
) -> Held:  # fmt: skip
    """Predict from honest peaks."""
    random = np.random.default_rng(seed)
    inside: list[bool] = []
    errors: list[float] = []
    named = honest = 0
    for _ in range(rigs):
        rig = draw_rig(random, worm=worm, tape_sd_mm=tape_sd_mm)
        at = spread(len(rig.hours), taught)
        weighed = weigh_rig(rig, peak(random, rig.true, good=good), at, bare=bare)
        counts, low, high = weighed.fit.band([float(hour) for hour in rig.hours])
        rest = [n for n in range(len(rig.hours)) if n not in at]
        inside += list((low <= rig.true)[rest] & (rig.true <= high)[rest])
        errors += list(np.abs(counts - rig.true)[rest])
        named += len(weighed.suspects)
        honest += len(at)
    return Held(
        float(np.mean(inside)), float(np.median(errors)), float(np.quantile(errors, 0.95)),
        named / honest,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Accused:
    """How often a bad peak was named, with the right story, and how often honest ones were."""

    named: float
    right_story: float
    honest_named: float


def study_suspects(rigs: int, taught: int, seed: int, story: str) -> Accused:
    """One peak on its neighbour, or from the other side; or the older half off by lost counts."""
    random = np.random.default_rng(seed)
    named = right = bad_peaks = honest = honest_named = 0
    for _ in range(rigs):
        rig = draw_rig(random)
        at = spread(len(rig.hours), taught)
        counts, bad, days = peak(random, rig.true), {int(random.choice(at))}, []
        one = min(bad)
        if story == "neighbour":
            near = [n for n in (one - 1, one + 1) if 0 <= n < len(counts)]
            counts[one] = peak(random, rig.true)[int(random.choice(near))]
        elif story == "other side":
            counts[one] += random.choice([-1, 1]) * random.integers(1, 5)
        else:
            order = list(random.permutation(len(at)))
            bad = {at[k] for k in order[: len(at) // 2]}
            days = [1 if n in bad else 9 for n in at]
            counts[sorted(bad)] += random.choice([-1, 1]) * random.integers(5, 60)
        weighed = weigh_rig(rig, counts, at, days=days)
        told = {suspect.number: suspect.code for suspect in weighed.suspects}
        named += len(bad & set(told))
        right += sum(told.get(n) == story for n in bad)
        bad_peaks += len(bad)
        honest += len(at) - len(bad)
        honest_named += len(set(told) - bad)
    return Accused(named / bad_peaks, right / max(1, named), honest_named / max(1, honest))


def study_shift(rigs: int, cause: str, again: int, ends: Sequence[str], seed: int) -> Counter[str]:
    """What `shift` says of a rig to which one thing happened."""
    random = np.random.default_rng(seed)
    told: Counter[str] = Counter()
    for _ in range(rigs):
        rig = draw_rig(random)
        n = len(rig.hours)
        before = peak(random, rig.true)
        end_before = np.array([0.0, round(float(rig.true[-1]) + 40.0)])
        true, end_now = _happen(random, rig, cause, end_before)
        at = [round(k) for k in np.linspace(0.05 * (n - 1), 0.95 * (n - 1), again)]
        seen = peak(random, true)
        if cause == WRONG:
            one = int(random.choice(at))
            near = [k for k in (one - 1, one + 1) if 0 <= k < n]
            seen[one] = peak(random, true)[int(random.choice(near))]
        now: dict[int | str, float] = {k: float(seen[k]) for k in at}
        for k, side in enumerate(("east", "west")):
            if side in ends:
                now[side] = float(np.round(end_now[k] + random.normal(0, 0.7)))
        peaks = [
            Peak(k, float(h), float(c))
            for k, (h, c) in enumerate(zip(rig.hours, before, strict=True))
        ]
        places = [Place(p.number, f"S{p.number}", p.count, p.hour_angle_deg) for p in peaks]
        places += [Place("east", "", end_before[0]), Place("west", "", end_before[1])]
        judged = judge(places, now, fit_peaks(curve_of(rig.mount), peaks), rig.site)
        told[judged.cause.name if judged.cause else "cannot tell"] += 1
    return told


def _happen(random: Random, rig: Rig, cause: str, ends: Array) -> tuple[Array, Array]:
    """True counts of satellites and ends after something happened."""
    some = float(random.choice([-1, 1]) * random.integers(5, 60))
    if cause == LOST:
        return rig.true + some, ends + some
    if cause == SLIPPED:
        return rig.true + some, ends
    if cause == TWISTED:
        turn = random.choice([-1, 1]) * random.uniform(0.5, 3.0)
        turned = replace(rig.pole, twist_deg=rig.pole.twist_deg + turn)
        return rig.true + rig.counts(turned) - rig.counts(rig.pole), ends
    if cause == ACTUATOR:
        scale, zero = random.choice([0.5, 0.8, 0.95, 1.05, 1.2, 2.0]), random.uniform(-80, 80)
        own = np.array([random.uniform(-20, 20), scale * ends[1] + random.uniform(-60, 60)])
        return scale * rig.true + zero, own
    return rig.true, ends


def main() -> None:
    rigs = int(sys.argv[1]) if len(sys.argv) > 1 else RIGS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2026
    began_s = time.perf_counter()
    print(f"{rigs} invented rigs, seed {seed}; noise of one count rms unless told otherwise")
    print("\nbands over untaught satellites      inside  median  95% of  honest")
    print("                                      band   error  errors   named")
    kinds: list[tuple[str, dict[str, bool | float]]] = [
        ("linear", {}),
        ("linear, good peaks", {"good": True}),
        ("linear, tape off 6 mm rms", {"tape_sd_mm": 6.0}),
        ("worm", {"worm": True}),
        ("linear, no [mount] in the file", {"bare": True}),
    ]
    for label, options in kinds:
        for taught in (2, 3, 4, 5, 6, 8, 12) if label == "linear" else (3, 5, 8):
            held = study_bands(rigs, taught, seed, **options)  # type: ignore[arg-type]
            print(
                f"{taught:>2} of {label:<31} {held.inside:6.1%} {held.median:7.2f}"
                f" {held.most:7.2f} {held.named:7.2%}"
            )
    print("\nsuspects                             named   right  honest")
    print("                                             story   named")
    for story, numbers in (
        ("neighbour", (3, 4, 5, 6, 8)), ("other side", (4, 6, 8, 12)), ("lost counts", (6, 8, 12)),
    ):  # fmt: skip
        for taught in numbers:
            accused = study_suspects(rigs, taught, seed, story)
            print(
                f"{taught:>2} peaks, {story:<25} {accused.named:7.1%} {accused.right_story:7.1%}"
                f" {accused.honest_named:7.2%}"
            )
    print("\nshift: re-peaks + ends; what happened          right   wrong  cannot tell")
    for again, ends in ((1, ()), (2, ()), (2, ("east",)), (3, ("east",)), (3, ("east", "west"))):
        totals: Counter[str] = Counter()
        for cause in CAUSES:
            told = study_shift(rigs, cause, again, ends, seed)
            right, open_ = told[cause], told["cannot tell"]
            totals.update({"right": right, "open": open_, "all": rigs})
            print(
                f"  {again} + {len(ends)} ends  {cause:<28} {right / rigs:7.1%}"
                f" {(rigs - right - open_) / rigs:7.1%} {open_ / rigs:7.1%}"
            )
        decided = totals["all"] - totals["open"]
        share = totals["right"] / decided if decided else math.nan
        print(f"  {again} + {len(ends)} ends  of those named, right: {share:.1%} of {decided}")
    print(f"\n{time.perf_counter() - began_s:.0f} s")


if __name__ == "__main__":
    main()
