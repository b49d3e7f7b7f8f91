"""The supply under the tone: its level and changes, 13 V against 18 V, and how it is taken out."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.event import Supply

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]

BASELINE_S = 1e-3  # s either side over which the supply is averaged: about a bit (judgement)
STEP_S = 1e-3  # s, block means are averaged over about this (judgement)
OFF_V = 8.0  # V, below this there is no supply, or the capture is AC coupled (judgement)
SETTLE_S = 25e-3  # s after a change in which the new level settles (judgement)
HOLD_S = 0.25  # s that a first rise from nothing is watched: AC coupled, a step decays (judgement)
FADE = 0.03  # of the level, that an AC coupled step loses in HOLD_S at least (judgement)
LEAVE_V = 0.4  # V from the old level at which a change is under way (judgement)
FOLLOW = 0.05  # weight of a new level in the running one, a time constant of 20 ms (judgement)
REMEMBER_S = 4.0  # s of levels that are kept for messages still to come (judgement)


def remove_supply(samples: NDArray[np.floating], rate_hz: float) -> Reals:
    """The samples less their running mean over BASELINE_S on either side, shorter at the ends.

    >>> remove_supply(np.array([13.0, 13.0, 13.0], np.float32), 1e3).tolist()
    [0.0, 0.0, 0.0]
    """
    reach = max(1, round(rate_hz * BASELINE_S))
    sums = np.concatenate(([0.0], np.cumsum(samples, dtype=np.float64)))
    at = np.arange(len(samples))
    low, high = np.maximum(at - reach, 0), np.minimum(at + reach + 1, len(samples))
    freed: Reals = samples - (sums[high] - sums[low]) / (high - low)
    return freed


def reject_line(wave: Reals, window: Reals) -> Reals:
    """Windowed filter taps made from a wave that give nothing for a constant or a slope.

    The part of the wave that a straight line explains under the window is taken out.

    >>> ramp = np.arange(9.0)
    >>> bool(abs(reject_line(np.sin(ramp), np.ones(9)) @ (13 + 5 * ramp)) < 1e-12)
    True
    """
    root = np.sqrt(window)
    at = np.arange(len(wave)) - (len(wave) - 1) / 2
    line = np.stack([np.ones(len(wave)), at / len(wave)], axis=1) * root[:, None]
    fit, *_ = np.linalg.lstsq(line, root * wave, rcond=None)
    taps: Reals = (root * wave - line @ fit) * root
    return taps


def classify(volts: float) -> int:
    """0 off, 1 low (13 V), 2 high (18 V)."""
    return 0 if volts < OFF_V else 1 if volts < std.SUPPLY_THRESHOLD_V else 2


@dataclass(slots=True)
class SupplyTracker:
    """Block means in order, `block_s` apart -> supply events and the level at any past time."""

    block_s: float
    start_s: float
    _rest: Reals = field(default_factory=lambda: np.zeros(0))  # means short of a whole step
    _levels: deque[float] = field(default_factory=deque)
    _first: int = 0  # number of _levels[0]
    _next: int = 0  # number of the level to be judged next
    _state: int | None = None
    _volts: float = 0.0  # running level
    _seen: bool = False  # there was a supply: the capture is not AC coupled
    _fading: bool = False  # a step of an AC coupled capture is decaying: no level is known

    @property
    def step_s(self) -> float:
        """Time between levels."""
        return self._group * self.block_s

    @property
    def _group(self) -> int:
        return max(1, round(STEP_S / self.block_s))

    @property
    def judged_s(self) -> float:
        """Time before which no supply event is to come."""
        return self.start_s + (self._next - round(2 * SETTLE_S / self.step_s)) * self.step_s

    def push(self, means: Reals) -> Iterator[Supply]:
        """Take the next means; give the changes that have settled."""
        values = np.concatenate((self._rest, means))
        whole = len(values) - len(values) % self._group
        self._rest = values[whole:]
        self._levels.extend(values[:whole].reshape(-1, self._group).mean(axis=1).tolist())
        yield from self._judge(last=False)

    def finish(self) -> Iterator[Supply]:
        """Give what waited to settle."""
        yield from self._judge(last=True)

    def level(self, from_s: float, to_s: float) -> float | None:
        """The median level in V between two times; None where no supply was seen."""
        low = int((from_s - self.start_s) / self.step_s) - self._first
        high = int((to_s - self.start_s) / self.step_s) + 1 - self._first
        span = self._span(max(low, 0), high)
        return median(span) if self._seen and span else None

    def _span(self, start: int, stop: int) -> list[float]:
        return [self._levels[n] for n in range(start, min(stop, len(self._levels)))]

    def _judge(self, *, last: bool) -> Iterator[Supply]:
        settle = max(1, round(SETTLE_S / self.step_s))
        hold = max(settle, round(HOLD_S / self.step_s))
        end = self._first + len(self._levels)
        while self._next < end:
            volts = self._levels[self._next - self._first]
            state = classify(volts)
            if state == 0:
                self._fading = False
            if self._state is None or (state != self._state and not self._fading):
                rises = self._state == 0 and not self._seen
                if not last and self._next + (hold if rises else settle) >= end:
                    break  # not settled yet
                if rises and self._fades(settle, hold):
                    self._fading = True
                elif (event := self._change(state, settle)) is not None:
                    yield event
            elif abs(volts - self._volts) < LEAVE_V:
                self._volts += FOLLOW * (volts - self._volts)
            self._next += 1
        keep = round(REMEMBER_S / self.step_s)
        while len(self._levels) > keep and self._first + settle < self._next:
            self._levels.popleft()
            self._first += 1

    def _fades(self, settle: int, hold: int) -> bool:
        """Whether the level decays after a rise, as behind a coupling capacitor."""
        at = self._next - self._first
        span = self._span(at, at + hold)
        early = median(span[settle // 2 : settle] or span)
        late = median(span[-settle:])
        return late < early - max(FADE * early, LEAVE_V)

    def _change(self, state: int, settle: int) -> Supply | None:
        at = self._next - self._first
        after = self._span(at, at + settle)
        settled = median(after[len(after) // 2 :])
        if self._state is not None and classify(settled) == self._state:
            return None  # a dip or an overshoot
        begun = at
        if self._state is not None:
            least = max(at - 2 * settle, 0)
            while begun > least and abs(self._levels[begun - 1] - self._volts) > LEAVE_V:
                begun -= 1
        self._seen = self._seen or state > 0
        self._state, self._volts = classify(settled), settled
        if not self._seen:
            return None
        return Supply(self.start_s + (self._first + begun) * self.step_s, settled)
