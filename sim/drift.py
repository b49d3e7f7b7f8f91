"""How far counters drift over years: many rigs in lock step, every cause recorded apart.

Each rig visits its positions in random order. A move is exact as in `sim.rig.move` (the load is
that at the cut); what is booked is counter minus truth. Ends, stalls and retries are left out, so
a rig with limits near its ends does somewhat worse. A forecast from habits assumed, not measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bridge.errors import YardError
from sim.rig.motor import plant_of

if TYPE_CHECKING:
    from sim.yard import Yard

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Cause = Literal["missed", "doubled", "wrong_sign", "late", "reversed_closed"]
CAUSES: tuple[Cause, ...] = ("missed", "doubled", "wrong_sign", "late", "reversed_closed")
DAYS = 365.25  # days a year (Julian year, by definition)
CHECKPOINTS = 24  # points of the band in the picture (judgement)
FAR = 36.0  # reach in time constants past which a motor runs at its steady speed (exact in double)


@dataclass(frozen=True, slots=True)
class FaultRates:
    """What goes wrong, how often; the defaults are judgement, for "drift after months"."""

    missed: float = 1e-5  # chance for each pulse
    doubled: float = 1e-6  # chance for each pulse
    impatient: float = 0.02  # share of reversals that come while it still coasts
    dead_s: float = 1.0  # of such a reversal, before the motor pulls the other way
    settle_s: float = math.inf  # after the cut, when the controller stops counting
    closures_only: bool = False  # counts closing contacts both ways


@dataclass(frozen=True, slots=True)
class Share:
    """What one cause brought, over all rigs."""

    mean: float
    std: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """Counter minus truth after some years, over many rigs."""

    years: float
    rigs: int
    median_counts: float
    p05: float
    p95: float
    by_cause: dict[str, Share]
    band: tuple[tuple[float, float, float, float], ...]  # (year, p05, median, p95)
    moves: int  # of each rig
    pulses: float  # of each rig, on average
    reversals: float

    def to_json(self) -> dict[str, object]:
        """As the command prints it."""
        return {
            "years": self.years,
            "rigs": self.rigs,
            "median_counts": self.median_counts,
            "p05": self.p05,
            "p95": self.p95,
            "by_cause": {name: asdict(share) for name, share in self.by_cause.items()},
        }


class _Coast(NamedTuple):
    """Every rig's coast: where it was cut, which way, how fast, and what slows it down."""

    edge: Floats
    side: Ints
    speed: Floats
    slow: Floats
    log: Floats  # its length in units of the drag's time constant

    def of(self, rigs: NDArray[np.intp]) -> _Coast:
        """Those of some rigs."""
        edge, side, speed, slow, log = self
        return _Coast(edge[rigs], side[rigs], speed[rigs], slow[rigs], log[rigs])


class Fleet:
    """Many rigs of one kind, each with a place, a counter and random faults."""

    def __init__(self, yard: Yard, rigs: int, habits: FaultRates, rng: np.random.Generator) -> None:
        rig, table = yard.rig, yard.positioner
        plant, weight = plant_of(yard.motor), yard.weight
        self.habits = habits
        self.rng = rng
        self._k, self._drive, self._friction = plant.k_drive, plant.drive, plant.friction
        self._kc = plant.k_brake if rig.brake else plant.k_coast
        self._pull = plant.per_nm * np.asarray(weight.torque_nm)
        self._cell, self._first = weight.cell_counts, weight.first_cell
        self._half = 0.5 - 0.5 * (rig.magnet_opens - rig.magnet_closes)
        self._centre = 0.5 + 0.5 * (rig.magnet_opens + rig.magnet_closes)
        self._closes, self._opens = rig.magnet_closes, rig.magnet_opens
        self._comp = table.coast_counts
        places = _places(yard)
        self.places: Ints = np.array(places, dtype=np.int64)
        self.at: Ints = rng.integers(len(places), size=rigs)
        self.truth: Ints = self.places[self.at].copy()
        self.x: Floats = self.truth.astype(np.float64)
        self.closed: Ints = np.zeros(rigs, dtype=np.int64)
        self.records: dict[Cause, Ints] = {name: np.zeros(rigs, dtype=np.int64) for name in CAUSES}
        self.error: Ints = np.zeros(rigs, dtype=np.int64)
        self._until = {name: self._draw(name, rigs) for name in ("missed", "doubled")}
        self.pulses = 0
        self.reversals = 0
        self._next: Ints = self._choose()
        self._last_side: Ints = np.zeros(rigs, dtype=np.int64)

    def _choose(self) -> Ints:
        """Another position than the present one for each rig."""
        count = len(self.places)
        return (self.at + 1 + self.rng.integers(count - 1, size=len(self.at))) % count

    def _draw(self, name: str, size: int) -> Ints:
        """Pulses that pass before the next fault of a kind."""
        chance = getattr(self.habits, name)
        if chance <= 0.0:
            return np.full(size, np.iinfo(np.int64).max // 2)
        return self.rng.geometric(chance, size=size) - 1

    def step(self) -> None:
        """One move of every rig, and the coast after it."""
        target = self.places[self._next]
        way = target - (self.truth + self.error)
        side = np.sign(way)
        wanted = np.maximum(np.abs(way) - self._comp, 0)
        side[wanted == 0] = 0
        pulses = self._drive_pulses(wanted, side)
        self.at = self._next
        self._next = self._choose()

        cut_truth, edge = self._cut(side, pulses)
        cell = np.floor(edge / self._cell).astype(np.int64) - self._first
        pull = side * self._pull[np.clip(cell, 0, len(self._pull) - 1)]
        w = self._speed((edge - self.x) * side, pull)
        slow = self._friction - pull
        ratio = self._kc * w / slow
        log = np.log1p(ratio)
        coast = w * w / slow * (1.0 - log / ratio) / ratio
        rest = np.where(side == 0, self.x, edge + side * coast)
        at_rest = np.where(side == 0, self.truth, self._truth_at(rest, side))

        coasted = np.abs(at_rest - cut_truth)
        self._record_coast(side, pulses, coasted)
        after = _Coast(edge, side, w, slow, log)
        if self.habits.settle_s < math.inf:
            seen = self._truth_at(self._place_after(self.habits.settle_s, after), side)
            self._record("late", np.where(side == 0, 0, seen - at_rest))
        if self.habits.impatient > 0.0:
            self._record_impatient(after, cut_truth, at_rest)
        if self.habits.closures_only:
            closed = self._closed_at(rest, at_rest, side)
            self._record("reversed_closed", np.where(side < 0, self.closed - closed, 0))
            self.closed = np.where(side == 0, self.closed, closed)
        self.pulses += int(pulses.sum() + coasted.sum())
        self.reversals += int(np.count_nonzero(side * self._last_side < 0))
        self._last_side = np.where(side == 0, self._last_side, side)
        self.x, self.truth = rest, at_rest

    # ---- motion ----------------------------------------------------------------------------

    def _cut(self, side: Ints, pulses: Ints) -> tuple[Ints, Floats]:
        """True count and place at the last pulse of the drive."""
        cut_truth = self.truth + side * pulses
        edge = cut_truth - side * self._half
        if self.habits.closures_only:
            # eastward a closing comes first on the far side of its magnet, before the truth turns
            magnet = self.truth - pulses - self.closed
            east = side < 0
            cut_truth = np.where(east, magnet + 1, cut_truth)
            edge = np.where(east, magnet + self._centre + self._closes, edge)
        return cut_truth, edge

    def _speed(self, distance: Floats, pull: Floats) -> Floats:
        """Speed from rest after a distance: the steady one, but after short drives."""
        steady: Floats = (self._drive + pull - self._friction) / self._k
        reach = distance * self._k / steady
        short = np.flatnonzero(reach < FAR)
        if short.size:
            part = np.maximum(reach[short], 1e-12)
            steady[short] *= -np.expm1(-_speed_up(part))
        return steady

    def _truth_at(self, x: Floats, side: Ints) -> Ints:
        """True count after arriving at a place from a side."""
        return np.floor(x * side + self._half).astype(np.int64) * side

    def _closed_at(self, x: Floats, truth: Ints, side: Ints) -> Ints:
        past = x - (truth - 1 + self._centre)
        closed = np.where(side > 0, past < self._opens, past <= self._closes)
        return closed.astype(np.int64)

    def _place_after(self, seconds: float, coast: _Coast) -> Floats:
        """Place so long after the cut, at most where it comes to rest."""
        s = np.minimum(seconds, coast.log / self._kc)
        e1 = -np.expm1(-self._kc * s) / self._kc
        gone = coast.speed * e1 - coast.slow * (s - e1) / self._kc
        return np.asarray(coast.edge + coast.side * gone)

    # ---- records -----------------------------------------------------------------------------

    def _record(self, cause: Cause, counts: Ints) -> None:
        self.records[cause] += counts
        self.error += counts

    def _drive_pulses(self, wanted: Ints, side: Ints) -> Ints:
        """Pulses that really pass while the controller counts `wanted`."""
        pulses = wanted.copy()
        missed, doubled = self._until["missed"], self._until["doubled"]
        while (hit := np.flatnonzero(missed < pulses)).size:
            pulses[hit] += 1
            self._record_at("missed", hit, -side[hit])
            missed[hit] += 1 + self._draw("missed", hit.size)
        while (hit := np.flatnonzero(doubled < pulses)).size:
            pulses[hit] = np.maximum(pulses[hit] - 1, doubled[hit] + 1)
            self._record_at("doubled", hit, side[hit])
            doubled[hit] += 1 + self._draw("doubled", hit.size)
        return pulses

    def _record_at(self, cause: Cause, which: NDArray[np.intp], counts: Ints) -> None:
        self.records[cause][which] += counts
        self.error[which] += counts

    def _record_coast(self, side: Ints, pulses: Ints, coasted: Ints) -> None:
        """Faults of the coast's pulses; the next faults are so much nearer after the move."""
        total = pulses + coasted
        for cause, sign in (("missed", -1), ("doubled", 1)):
            until = self._until[cause]
            while (hit := np.flatnonzero(until < total)).size:
                name: Cause = "missed" if sign < 0 else "doubled"
                self._record_at(name, hit, sign * side[hit])
                until[hit] += 1 + self._draw(cause, hit.size)
            until -= total

    def _record_impatient(self, coast: _Coast, cut_truth: Ints, at_rest: Ints) -> None:
        """Some of those about to turn back do so at the cut: what still comes is counted wrong."""
        onward = self.places[self._next] - self.places[self.at]
        turns = np.flatnonzero((onward * coast.side < 0) & (cut_truth != at_rest))
        rash = turns[self.rng.random(turns.size) < self.habits.impatient]
        if not rash.size:
            return
        some = coast.of(rash)
        decay = np.exp(-self._kc * np.minimum(self.habits.dead_s, some.log / self._kc))
        left = np.maximum(0.0, some.speed * decay - some.slow * (1.0 - decay) / self._kc)
        there = self._place_after(self.habits.dead_s, some)
        there += some.side * left * left / (2.0 * (self._drive + some.slow))  # pulled up short
        wrong = np.abs(self._truth_at(there, some.side) - cut_truth[rash])
        self._record_at("wrong_sign", rash, -2 * some.side * wrong)


def _speed_up(reach: Floats) -> Floats:
    """As in `sim.rig.move`, for arrays."""
    root = np.sqrt(2.0 * reach)
    u = np.where(
        reach < 0.5,
        root * (1.0 + root / 6.0 * (1.0 + root / 12.0)),
        1.0 + reach - np.exp(-1.0 - reach),
    )
    for _ in range(4):
        lag = np.expm1(-u)
        u -= (u + lag - reach) / -lag
    return np.asarray(u)


def _places(yard: Yard) -> list[int]:
    """Counts the rigs visit: the list, well inside the ends, or even steps where there is none."""
    margin = 3.0 * yard.rig.coast_counts
    low, high = yard.ends.east_switch + margin, yard.ends.west_switch - margin
    places = sorted({count for count in yard.taught_counts().values() if low < count < high})
    if len(places) >= 2:
        return places
    return [round(low + (high - low) * n / 15) for n in range(16)]


def forecast(
    yard: Yard,
    *,
    years: float = 1.0,
    rigs: int = 1000,
    moves_per_day: float = 20.0,
    habits: FaultRates | None = None,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Forecast:
    """The drift of `rigs` rigs like this yard's; `progress` gets the share done.

    Raises YardError for years or rigs out of range.
    """
    if not 0.0 < years <= 50.0:
        raise YardError(f"years {years:g} is outside 0 to 50")
    if not 1 <= rigs <= 1_000_000:
        raise YardError(f"rigs {rigs} is outside 1 to 1000000")
    moves = max(1, round(years * DAYS * moves_per_day))
    if habits is None:
        habits = FaultRates(closures_only=yard.positioner.counting == "closures")
    fleet = Fleet(yard, rigs, habits, np.random.default_rng(seed))
    marks = {round(moves * n / CHECKPOINTS) for n in range(1, CHECKPOINTS + 1)}
    band = [(0.0, 0.0, 0.0, 0.0)]
    for done in range(1, moves + 1):
        fleet.step()
        if done in marks:
            p05, median, p95 = np.percentile(fleet.error, (5, 50, 95))
            band.append((years * done / moves, float(p05), float(median), float(p95)))
            if progress is not None:
                progress(done / moves)
    _, p05, median, p95 = band[-1]
    return Forecast(
        years=years,
        rigs=rigs,
        median_counts=median,
        p05=p05,
        p95=p95,
        by_cause={
            name: Share(float(book.mean()), float(book.std()))
            for name, book in fleet.records.items()
        },
        band=tuple(band),
        moves=moves,
        pulses=fleet.pulses / rigs,
        reversals=fleet.reversals / rigs,
    )
