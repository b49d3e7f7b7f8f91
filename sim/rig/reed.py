"""The reed sensor: magnets that close a contact, and how a controller turns edges into counts.

One magnet stands for one count. Going west it closes at `half_close` before its centre and opens
`half_open` after it; going east the same mirrored. A single reed tells no direction: the sign of a
pulse is whatever the controller last asked the motor for, and every miscount follows from that.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from typing import Literal

Counting = Literal["approach", "closures", "edges"]


@dataclass(slots=True)
class Reed:
    """Magnet `n` lies between counts n and n + 1; `gap` is the count while the contact is open."""

    half_close: float = 0.20  # counts from a magnet's centre at which the contact closes
    half_open: float = 0.28  # counts at which it opens again: more, by its hysteresis
    gap: int = 0
    closed: bool = False

    @property
    def centre(self) -> float:
        """Where magnet 0 sits, so that count n is shown on average from n - 1/2 to n + 1/2."""
        return 0.5 + 0.5 * (self.half_close + self.half_open)

    @property
    def truth(self) -> int:
        """The count of a sensor that knows the direction: a closed contact is magnet `gap`'s."""
        return self.gap + 1 if self.closed else self.gap

    @property
    def edges(self) -> int:
        """The count of a sensor that knows the direction and counts closings and openings."""
        return 2 * self.gap + (1 if self.closed else 0)

    def place(self, x: float) -> None:
        """Set the contact from a place, once, before any motion."""
        magnet = math.floor(x - self.centre + 0.5)
        off = x - (magnet + self.centre)
        self.closed = abs(off) <= self.half_close
        self.gap = magnet if self.closed or off < 0.0 else magnet + 1

    def next_edge(self, direction: int) -> float:
        """Where the contact changes next when moving west (1) or east (-1)."""
        if self.closed:
            return self.gap + self.centre + direction * self.half_open
        magnet = self.gap if direction > 0 else self.gap - 1
        return magnet + self.centre - direction * self.half_close

    def cross(self, direction: int) -> int:
        """Pass that edge; what it adds to the truth: -1, 0 or 1."""
        before = self.truth
        if self.closed:
            self.closed = False
            if direction > 0:
                self.gap += 1
        else:
            self.closed = True
            if direction < 0:
                self.gap -= 1
        return self.truth - before


def counts_of(rule: Counting, closing: bool, polarity: int) -> int:
    """What a controller adds for one edge: by `rule` and the direction it last asked for.

    `approach` counts closures west and openings east, so that a reversal over a closed contact
    cancels; `closures` counts closures both ways and is one off after it; `edges` counts both.
    """
    if rule == "edges" or (rule == "closures" and closing):
        return polarity
    if rule == "approach" and closing == (polarity > 0):
        return polarity
    return 0


@dataclass(slots=True)
class Ledger:
    """Signed counts by which a counter has gone wrong, by cause; they sum to its whole error."""

    missed: int = 0
    doubled: int = 0
    wrong_sign: int = 0  # edges met while moving against the last polarity
    reversed_closed: int = 0  # edges met the right way that the rule counts otherwise
    unpowered: int = 0  # edges met while the controller had no power

    @property
    def total(self) -> int:
        """The whole error of the counter, in counts."""
        return self.missed + self.doubled + self.wrong_sign + self.reversed_closed + self.unpowered


@dataclass(slots=True)
class Sensor:
    """What the wire delivers of each countable edge: one pulse, none, or two.

    Faults are "pulses until the next one": one draw a fault, whatever the time slices.
    """

    miss_west: float = 0.0
    miss_east: float = 0.0
    double: float = 0.0
    dead: bool = False
    seed: int = 0
    _rng: random.Random = field(init=False, repr=False)
    _until: dict[str, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._rng = random.Random(f"reed {self.seed}")
        self._until = {}

    def _falls_due(self, name: str, chance: float) -> bool:
        if chance <= 0.0:
            return False
        left = self._until.get(name)
        if left is None:
            left = self._draw(chance)
        self._until[name] = left - 1 if left > 0 else self._draw(chance)
        return left == 0

    def _draw(self, chance: float) -> int:
        """Pulses that pass before the next fault, geometric."""
        if chance >= 1.0:
            return 0
        return int(math.log(1.0 - self._rng.random()) / math.log1p(-chance))

    def deliver(self, direction: int) -> int:
        """Pulses on the wire for one countable edge met while moving `direction`."""
        if self.dead:
            return 0
        if direction > 0 and self._falls_due("miss west", self.miss_west):
            return 0
        if direction < 0 and self._falls_due("miss east", self.miss_east):
            return 0
        return 2 if self._falls_due("double", self.double) else 1


def register(
    ledger: Ledger,
    sensor: Sensor,
    rule: Counting,
    *,
    closing: bool,
    direction: int,
    truth: int,
    polarity: int,
) -> int:
    """Pulses that reach the controller for an edge; the ledger learns every way it errs.

    `truth` is what the edge adds to the true count. The counter is to add pulses * polarity.
    """
    wanted = counts_of(rule, closing, polarity)
    if polarity == direction:
        right = polarity if rule == "edges" else truth
        ledger.reversed_closed += wanted - right
    else:
        ledger.wrong_sign += wanted - (direction if rule == "edges" else truth)
    if wanted == 0:
        return 0
    pulses = sensor.deliver(direction)
    ledger.missed -= wanted if pulses == 0 else 0
    ledger.doubled += wanted if pulses == 2 else 0
    return pulses
