"""Means of blocks of samples -> the supply level and its changes, 13 V against 18 V."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.event import Supply
from bridge.signal.baseband import quantile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Levels = NDArray[np.float64]

STEP_S = 1e-3  # s, means are averaged over about this
OFF_V = 8.0  # V, below this there is no supply (or the capture is AC coupled)
SETTLE_S = 25e-3  # s after a change in which the new level is taken
HOLD_S = 0.25  # s that a first rise from nothing is watched: AC coupled, a step decays
FADE = 0.03  # of the level that it loses meanwhile, then
LEAVE_V = 0.4  # V from the old level at which a change is under way
REMEMBER_S = 4.0  # s of levels kept for messages still to be told of


def classify(volts: float) -> int:
    """0 off, 1 low (13 V), 2 high (18 V)."""
    return 0 if volts < OFF_V else 1 if volts < std.SUPPLY_THRESHOLD_V else 2


@dataclass(slots=True)
class SupplyTracker:
    """Block means in order, `block_s` apart -> supply events; `level` tells of any past moment."""

    block_s: float
    start_s: float
    _rest: Levels = field(default_factory=lambda: np.zeros(0))
    _levels: deque[float] = field(default_factory=deque)
    _first: int = 0  # number of _levels[0]
    _next: int = 0  # number of the level to be judged next
    _state: int | None = None
    _volts: float = 0.0
    _seen: bool = False  # a supply was there: not an AC coupled capture
    _fading: bool = False  # a step of an AC coupled capture is decaying: no level is known

    @property
    def step_s(self) -> float:
        return self._group * self.block_s

    @property
    def _group(self) -> int:
        return max(1, round(STEP_S / self.block_s))

    @property
    def judged_s(self) -> float:
        """Time before which no supply event is to come."""
        return self.start_s + (self._next - round(2 * SETTLE_S / self.step_s)) * self.step_s

    def push(self, means: Levels) -> Iterator[Supply]:
        values = np.concatenate((self._rest, means))
        whole = len(values) - len(values) % self._group
        self._rest = values[whole:]
        self._levels.extend(values[:whole].reshape(-1, self._group).mean(axis=1).tolist())
        yield from self._judge(last=False)

    def finish(self) -> Iterator[Supply]:
        yield from self._judge(last=True)

    def level(self, from_s: float, to_s: float) -> float | None:
        """The middle level between two times, None where there is no supply to be seen."""
        low = int((from_s - self.start_s) / self.step_s) - self._first
        high = int((to_s - self.start_s) / self.step_s) + 1 - self._first
        span = [self._levels[n] for n in range(max(low, 0), min(high, len(self._levels)))]
        if not self._seen or not span:
            return None
        return quantile(np.asarray(span), 0.5)

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
                self._volts += 0.05 * (volts - self._volts)
            self._next += 1
        keep = round(REMEMBER_S / self.step_s)
        while len(self._levels) > keep and self._first + settle < self._next:
            self._levels.popleft()
            self._first += 1

    def _fades(self, settle: int, hold: int) -> bool:
        at = self._next - self._first
        span = [self._levels[n] for n in range(at, min(at + hold, len(self._levels)))]
        early = quantile(np.asarray(span[settle // 2 : settle] or span), 0.5)
        late = quantile(np.asarray(span[-settle:]), 0.5)
        return late < early - max(FADE * early, LEAVE_V)

    def _change(self, state: int, settle: int) -> Supply | None:
        at = self._next - self._first
        after = [self._levels[n] for n in range(at, min(at + settle, len(self._levels)))]
        settled = quantile(np.asarray(after[len(after) // 2 :]), 0.5)
        if self._state is not None and classify(settled) == self._state:
            return None  # a dip or an overshoot
        begun = at
        if self._state is not None:
            least = max(at - 2 * settle, 0)
            while begun > least and abs(self._levels[begun - 1] - self._volts) > LEAVE_V:
                begun -= 1
        told = self._seen or state > 0
        self._seen = told
        self._state, self._volts = classify(settled), settled
        return Supply(self.start_s + (self._first + begun) * self.step_s, settled) if told else None
