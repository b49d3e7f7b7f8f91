"""Invented rigs that put `positions predict` to the proof, beside its goals.

    python tests/benchmarks/predict_study.py [RIGS] [SEED]

Every rig is drawn afresh: site, list, linkage, and a pole that is twisted, leans and is tilted a
little wrong, none of which the fit knows. The station file holds what a tape measure made of it.
Peaks are off by noise of one count, and all arrive from one side, so that backlash is alike.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from bridge.station.model import LinearMount, WormMount
from sim.counts.fit import Peak
from sim.counts.hypotheses import Neighbour
from sim.counts.wrong_peaks import Screening, screen_peaks
from sim.sky.belt import Site
from sim.sky.mount import Mount, hour_angle_deg, modified_mount, true_mount

Array = NDArray[np.float64]
Random = np.random.Generator

RIGS = 500
SPACINGS_DEG = (2.0, 2.5, 3.0, 3.0, 4.0, 5.0, 6.5)  # of longitude; 2-3 deg is common practice


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
    rig: Rig, counts: Array, at: Sequence[int], *, bare: bool = False, days: Sequence[int] = (),
    approach: str | None = None,
) -> Screening:  # fmt: skip
    """The station's list as `positions predict` weighs it; `bare` is without [mount]."""
    peaks = [
        Peak(n, float(rig.hours[n]), float(counts[n]), date(2026, 5, days[k]) if days else None)
        for k, n in enumerate(at)
    ]
    listed = [Neighbour(n, f"S{n}", float(hour)) for n, hour in enumerate(rig.hours)]
    return screen_peaks(None if bare else rig.mount, rig.site, peaks, listed, approach)


@dataclass(frozen=True, slots=True)
class Held:
    """How predictions of untaught satellites turned out, one array a rig."""

    inside: tuple[NDArray[np.bool_], ...]  # the truth lies within the 95 % band
    errors: tuple[Array, ...]  # counts
    places: tuple[Array, ...]  # along the arc, 0 in the east to 1 in the west
    named: int  # honest peaks named as suspects
    honest: int  # of so many

    @property
    def share(self) -> float:
        return float(np.concatenate(self.inside).mean())

    @property
    def by_place(self) -> list[float]:
        """The share inside for each sixth of the arc."""
        inside, place = np.concatenate(self.inside), np.concatenate(self.places)
        sixth = np.minimum((6.0 * place).astype(int), 5)
        return [float(inside[sixth == n].mean()) for n in range(6)]

    @property
    def median(self) -> float:
        return float(np.median(np.abs(np.concatenate(self.errors))))

    @property
    def most(self) -> float:
        """What 95 % of the errors are within."""
        return float(np.quantile(np.abs(np.concatenate(self.errors)), 0.95))

    def standard_errors(self, seed: int = 1, draws: int = 100) -> tuple[float, float, float]:
        """Of share, median and most: rigs drawn again, as the errors of one go together."""
        random = np.random.default_rng(seed)
        again = []
        for _ in range(draws):
            pick = random.integers(0, len(self.errors), len(self.errors))
            one = replace(
                self,
                inside=tuple(self.inside[n] for n in pick),
                errors=tuple(self.errors[n] for n in pick),
            )
            again.append((one.share, one.median, one.most))
        share, median, most = np.std(again, axis=0).tolist()
        return share, median, most


def study_bands(
    rigs: int, taught: int, seed: int, *, good: bool = False, worm: bool = False,
    bare: bool = False, tape_sd_mm: float = 3.0,
) -> Held:  # fmt: skip
    """Predict from honest peaks."""
    random = np.random.default_rng(seed)
    inside, errors, places = [], [], []
    named = honest = 0
    for _ in range(rigs):
        rig = draw_rig(random, worm=worm, tape_sd_mm=tape_sd_mm)
        at = spread(len(rig.hours), taught)
        screened = weigh_rig(rig, peak(random, rig.true, good=good), at, bare=bare)
        counts, low, high = screened.mixture.band(rig.hours.tolist())
        rest = [n for n in range(len(rig.hours)) if n not in at]
        inside.append(((low <= rig.true) & (rig.true <= high))[rest])
        errors.append((counts - rig.true)[rest])
        along = (rig.hours - rig.hours[0]) / (rig.hours[-1] - rig.hours[0])
        places.append(along[rest])
        named += len(screened.outliers)
        honest += len(at)
    return Held(tuple(inside), tuple(errors), tuple(places), named, honest)


@dataclass(frozen=True, slots=True)
class Naming:
    """How often a bad peak was named, with the right cause, and how often honest ones were."""

    named: float
    right_cause: float
    honest_named: float


def study_outliers(
    rigs: int, taught: int, seed: int, cause: str, approach: str | None = None
) -> Naming:
    """One peak on its neighbour, or from the other side; or the older half off by lost counts.

    With `approach` "west" the other side reads lower, and the station file says so.
    """
    random = np.random.default_rng(seed)
    named = right = bad_peaks = honest = honest_named = 0
    for _ in range(rigs):
        rig = draw_rig(random)
        at = spread(len(rig.hours), taught)
        counts, bad, days = peak(random, rig.true), {int(random.choice(at))}, []
        one = min(bad)
        if cause == "neighbour":
            near = [n for n in (one - 1, one + 1) if 0 <= n < len(counts)]
            counts[one] = peak(random, rig.true)[int(random.choice(near))]
        elif cause == "other side":
            ways = [-1, 1] if approach is None else [-1]
            counts[one] += random.choice(ways) * random.integers(1, 5)
        else:
            order = list(random.permutation(len(at)))
            bad = {at[k] for k in order[: len(at) // 2]}
            days = [1 if n in bad else 9 for n in at]
            counts[sorted(bad)] += random.choice([-1, 1]) * random.integers(5, 60)
        screened = weigh_rig(rig, counts, at, days=days, approach=approach)
        codes = {outlier.number: outlier.code for outlier in screened.outliers}
        named += len(bad & set(codes))
        right += sum(codes.get(n) == cause for n in bad)
        bad_peaks += len(bad)
        honest += len(at) - len(bad)
        honest_named += len(set(codes) - bad)
    return Naming(named / bad_peaks, right / max(1, named), honest_named / max(1, honest))


def print_bands(rigs: int, seed: int) -> None:
    print(
        "\nuntaught satellites          truth in 95 %    sixths of the    error, counts    honest"
    )
    print("                             band             arc, worst       median  95 % of  named")
    print("goal, 3 peaks or more        93-97 %          93-97 %          0.50    1.50     2 %")
    kinds: list[tuple[str, dict[str, bool | float]]] = [
        ("linear", {}),
        ("within one count", {"good": True}),
        ("tape off 6 mm rms", {"tape_sd_mm": 6.0}),
        ("worm", {"worm": True}),
        ("linear, no [mount]", {"bare": True}),
        ("worm, no [mount]", {"worm": True, "bare": True}),
    ]
    for label, options in kinds:
        few = label in ("within one count", "tape off 6 mm rms")
        for taught in (3, 5, 8) if few else (2, 3, 4, 5, 6, 8, 10, 12):
            held = study_bands(rigs, taught, seed, **options)  # type: ignore[arg-type]
            share_se, median_se, most_se = held.standard_errors()
            worst = max(held.by_place, key=lambda share: abs(share - 0.95))
            print(
                f"{taught:>2} peaks, {label:<19} {held.share:6.1%} ±{share_se:.1%}"
                f"  {worst:12.1%}    {held.median:5.2f} ±{median_se:.2f}"
                f" {held.most:5.2f} ±{most_se:.2f} {held.named / held.honest:7.2%}",
                flush=True,
            )


def print_outliers(rigs: int, seed: int) -> None:
    print("\none bad peak, or a list of two ages     named   right cause   honest named")
    print("goal, taught on the neighbour           95 %                  2 %")
    print("goal, the others                        where the evidence carries it")
    for cause, approach, numbers in (
        ("neighbour", None, (3, 4, 5, 6, 8, 12)),
        ("other side", None, (4, 6, 8, 12)),
        ("other side", "west", (4, 6, 8, 12)),
        ("lost counts", None, (4, 6, 8, 12)),
    ):
        label = f"{cause}, approach known" if approach else cause
        for taught in numbers:
            found = study_outliers(rigs, taught, seed, cause, approach)
            noise = math.sqrt(found.named * (1.0 - found.named) / rigs)
            print(
                f"{taught:>2} peaks, {label:<28} {found.named:7.1%} ±{noise:.1%}"
                f" {found.right_cause:10.1%} {found.honest_named:13.2%}",
                flush=True,
            )


def print_bends(rigs: int, seed: int) -> None:
    """Higher orders of an actuator's counts, where `sim/counts/curve.py` has its priors from."""
    random = np.random.default_rng(seed)
    hours = np.linspace(-45.0, 45.0, 91)
    orders = []
    for _ in range(rigs):
        (p, q, noon, zero, per_mm), _ = _linear(random, 0.0)
        length = np.sqrt(p * p + q * q - 2.0 * p * q * np.cos(np.radians(noon + hours)))
        fourth, third, second, first, _ = np.polyfit(hours, per_mm * (length - zero), 4)
        orders.append((second / first, third / first, 1.2 * fourth / first))
    print("\norder over the first of an actuator's counts    mean        sd      a worm's")
    for name, values in zip(
        ("second, 1/deg", "third, 1/deg2", "fourth, 1/deg3, at 12 counts a deg over 10"),
        np.array(orders).T, strict=True,
    ):  # fmt: skip
        print(f"{name:<43} {values.mean():9.2e} {values.std():9.2e}  0")


def main() -> None:
    rigs = int(sys.argv[1]) if len(sys.argv) > 1 else RIGS
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2026
    began_s = time.process_time()
    print(f"{rigs} invented rigs, seed {seed}; peaks off by one count rms, ± one standard error")
    print_bends(rigs, seed)
    print_bands(rigs, seed)
    print_outliers(rigs, seed)
    print(f"\n{time.process_time() - began_s:.0f} s of processor time")


if __name__ == "__main__":
    main()
