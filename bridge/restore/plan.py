"""What is to be put back, in which order along the arc, and how long that takes.

The dish arrives at every position from one side, so that backlash is taken up the same way each
time; a limit is met from inside.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from bridge.bus.command import MOST_STEPS, Side
from bridge.errors import BadInput
from bridge.station.model import LinearMount, Station, WormMount

RUN_UP = 12  # counts driven toward a position: backlash is 1-4, coast 1-3 (common practice)
TAKE_UP = 8  # counts of them that must be left after a coast (judgement)
PROOF_AWAY = 20  # counts from which a position is gone to for its proof (judgement)
STOP_S = 3.0  # s that settling, storing and the start of a drive take at a stop (judgement)
USUAL_MM_S = 4.0  # mm/s of a linear actuator (common practice: 3-6)
USUAL_DEG_S = 1.2  # deg/s of a worm drive (common practice: 1-2.5)
USUAL_COUNTS_S = 7.0  # counts/s where the file has no mount (common practice)
LOWEST_WORD, HIGHEST_WORD = -0x8000, 0x7FFF  # counts in two bytes of a counter command (computed)


@dataclass(frozen=True, slots=True)
class Target:
    """A place to set: a position by its number, or a soft limit by its side."""

    what: int | Side
    count: int
    name: str = ""

    @property
    def key(self) -> str:
        """Its name in the journal."""
        return f"limit {self.what}" if isinstance(self.what, str) else f"position {self.what}"

    @property
    def label(self) -> str:
        """What a person calls it."""
        if isinstance(self.what, str):
            return f"{self.what} limit"
        return f"position {self.what}" + (f" ({self.name})" if self.name else "")


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything to put back; `arrive` is the way the dish moves when it arrives, None: either."""

    positions: tuple[Target, ...]
    limits: tuple[Target, ...]
    arrive: Side | None
    east: int | None  # the file's soft limits: nothing is driven outside them
    west: int | None
    counts_per_s: float
    by_counter: bool = False

    @property
    def targets(self) -> tuple[Target, ...]:
        """Limits and positions."""
        return self.limits + self.positions

    @property
    def fingerprint(self) -> str:
        """The same for the same list, put back the same way."""
        content = [
            sorted((target.key, target.count) for target in self.targets),
            self.arrive,
            self.east,
            self.west,
            self.by_counter,
        ]
        return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Route:
    """Targets in order, and the way of arriving that was chosen."""

    targets: tuple[Target, ...]
    arrive: Side
    travel: int  # counts
    stops: int

    def seconds(self, counts_per_s: float) -> float:
        """How long it takes at a speed."""
        return self.travel / counts_per_s + self.stops * STOP_S


def plan_of(
    station: Station,
    *,
    only: Collection[int] = (),
    limits: bool = True,
    by_counter: bool = False,
) -> Plan:
    """The plan for a station. Raises BadInput where its list cannot be put back."""
    known = {row.number for row in station.position}
    unknown = sorted(set(only) - known)
    if unknown:
        there = ", ".join(map(str, sorted(known))) or "none"
        raise BadInput(f"position {unknown[0]} is not in the list; there are {there}")
    positions = tuple(
        Target(row.number, row.count, row.name)
        for row in station.position
        if row.count is not None and (not only or row.number in only)
    )
    if not positions:
        raise BadInput("no position to put back has a count; teach some, or predict them, first")
    bounds = station.limits
    east, west = (None, None) if bounds is None else (bounds.east, bounds.west)
    outside = [
        target
        for target in positions
        if bounds is not None and not bounds.east <= target.count <= bounds.west
    ]
    if outside:
        raise BadInput(
            f"{outside[0].label} at {outside[0].count} is outside the limits {east} to {west}; "
            "correct the count or the limits in the file"
        )
    ends: tuple[Target, ...] = ()
    if bounds is not None and limits:
        ends = (Target("east", bounds.east), Target("west", bounds.west))
    approach = station.positioner.approach
    arrive: Side | None = None if approach is None or approach == "either" else approach
    plan = Plan(
        positions,
        ends,
        arrive,
        east,
        west,
        _speed(station),
        by_counter,
    )
    for target in plan.targets if by_counter else ():
        if not LOWEST_WORD <= target.count <= HIGHEST_WORD:
            raise BadInput(
                f"{target.label} at {target.count} does not fit the counter's two bytes, "
                f"{LOWEST_WORD} to {HIGHEST_WORD} counts; restore by driving"
            )
    return plan


def _speed(station: Station) -> float:
    match station.mount:
        case LinearMount(counts_per_mm=counts):
            return counts * USUAL_MM_S
        case WormMount(counts_per_deg=counts):
            return counts * USUAL_DEG_S
        case _:
            return USUAL_COUNTS_S


def route_of(plan: Plan, targets: Sequence[Target], here: int | None) -> Route:
    """The shortest sweep over the targets; `here` None: from an unknown count."""
    sides: tuple[Side, ...] = ("west", "east") if plan.arrive is None else (plan.arrive,)
    routes = [
        _route(plan, sorted(targets, key=_by_count, reverse=reverse), here, side)
        for side in sides
        for reverse in (False, True)
    ]
    return min(routes, key=lambda route: route.travel)


def _by_count(target: Target) -> tuple[int, str]:
    return target.count, target.key


def _route(plan: Plan, targets: list[Target], here: int | None, arrive: Side) -> Route:
    """What a sweep in this order costs."""
    travel = stops = 0
    sign = 1 if arrive == "west" else -1
    at, taken = here, 0
    for target in targets:
        goal = target.count
        if at is None:
            at = goal
            stops += 1
            continue
        ahead = (goal - at) * sign
        if isinstance(target.what, str) or ahead >= max(1, TAKE_UP - taken) or ahead == 0 < taken:
            taken = TAKE_UP if ahead > 0 else 0
            legs = [abs(goal - at)]
        else:
            start = run_up_start(plan, goal, arrive)
            taken = TAKE_UP
            legs = [abs(start - at), abs(goal - start)]
        travel += sum(legs)
        stops += 1 + sum(len(list(pieces(leg))) for leg in legs)
        at = goal
    return Route(tuple(targets), arrive, travel, stops)


def run_up_start(plan: Plan, count: int, arrive: Side) -> int:
    """The count where the run-up to a position begins: RUN_UP before it, inside the limits."""
    if arrive == "west":
        start = count - RUN_UP
        return start if plan.east is None else max(start, min(plan.east, count))
    start = count + RUN_UP
    return start if plan.west is None else min(start, max(plan.west, count))


def pieces(counts: int) -> Iterator[int]:
    """A drive of so many counts in pieces, each small enough for one command."""
    while counts > 0:
        piece = min(counts, MOST_STEPS)
        yield piece
        counts -= piece


def proofs_of(plan: Plan, sessions: dict[int, int], *, every: bool = False) -> list[Target]:
    """Positions to return to at the end: both ends of the arc, the middle, the highest number
    (a positioner may hold fewer), and one of each session in `sessions`, number to session."""
    rows = sorted((row for row in plan.positions if row.what in sessions), key=_by_count)
    if every or len(rows) <= 3:
        return rows
    chosen = {rows[0].key, rows[len(rows) // 2].key, rows[-1].key}
    chosen.add(max(rows, key=lambda row: row.what if isinstance(row.what, int) else 0).key)
    for session in set(sessions.values()):
        its = [row for row in rows if isinstance(row.what, int) and sessions[row.what] == session]
        if not any(row.key in chosen for row in its):
            chosen.add(its[len(its) // 2].key)
    return [row for row in rows if row.key in chosen]
