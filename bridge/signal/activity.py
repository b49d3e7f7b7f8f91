"""Samples -> the segments that may hold tone; quiet samples are read once and dropped.

The block powers, averaged over a few bits, are held against the floor of the noise around.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bridge.signal.floor import LEAST_FLOOR, PowerHistory
from bridge.signal.glitches import SPIKELESS_HZ, is_converter_flicker, remove_spikes
from bridge.signal.power import BlockPowers, PowerMeter, clip_damaged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]
    Powers = NDArray[np.floating[Any]]

WINDOW_S = 8e-3  # s, power is averaged over this: more than five bits (judgement)
ACTIVE_DEVIATIONS = 5.8  # of the average of noise, that a segment must reach (judgement), and
HOLD_DEVIATIONS = 2.6  # down to which it goes on (judgement)
MARGIN_S = 3.2e-3  # s added on either side of where the average is high (judgement)
WEAK_RATIO = 40.0  # of the floor: below this average a segment's borders show late (judgement)
WEAK_MARGIN_S = 5e-3  # s added besides on either side of a weak segment (judgement)
LONGEST_S = 0.25  # s, a longer segment is cut or steady tone; a message is 0.11 at most (judgement)
STEADY_RATIO = 0.6  # lowest to highest average of a tone that is on without keying (judgement)
STEADY_EDGE_S = 0.04  # s of a steady tone given at either end (judgement)
CLOSE_STRIDE = 2  # samples further apart are copied, not to hold on to what is between (judgement)


@dataclass(frozen=True, slots=True)
class Segment:
    """Samples in which there may be tone, from sample `first` of the trace.

    `floor` is the power of noise around it, twice the variance of a sample, in the unit of the
    samples squared. With `opens` or `closes` the tone goes on before or after.
    """

    samples: Floats
    first: int
    floor: float
    opens: bool = False
    closes: bool = False


@dataclass(slots=True)
class ActivityDetector:
    """Chunks of raw samples in, segments out; `means` collects the mean of each block.

    A raw sample times `scale` plus `offset` is in the unit of the trace. Block numbers count
    from the first sample of the trace.
    """

    rate_hz: float
    scale: float = 1.0
    offset: float = 0.0
    samples: int = 0  # measured so far
    means: list[Floats] = field(default_factory=list)  # whoever takes them empties it
    block: int = field(init=False)  # samples from one block to the next
    _meter: PowerMeter = field(init=False)
    _history: PowerHistory = field(init=False)
    _active_ratio: float = field(init=False)  # of the floor, that a segment must reach
    _hold_ratio: float = field(init=False)  # of the floor, down to which it goes on
    _chunks: deque[NDArray[Any]] = field(default_factory=deque)  # the latest
    _chunks_from: int = 0  # sample at which the first of them begins
    _judged: int = 0  # blocks
    _start: int | None = None  # first block of the segment at hand
    _active_end: int = 0  # block after its last active one
    _loudest: float = 0.0  # highest average in it, over the floor
    _cut_end: int = 0  # block after the latest segment
    _opens: bool = False
    _steady: float | None = None  # power over the floor of a steady tone that is passed over

    def __post_init__(self) -> None:
        self._meter = PowerMeter(self.rate_hz, self.scale, self.offset)
        self.block = self._meter.block
        window = self._blocks(WINDOW_S)
        self._history = PowerHistory(window)
        spread = 1 / np.sqrt(max(window, 1))  # deviation of an average of so many powers of noise
        self._active_ratio = 1 + ACTIVE_DEVIATIONS * spread
        self._hold_ratio = 1 + HOLD_DEVIATIONS * spread

    @property
    def settled_until(self) -> int:
        """Sample before which no segment is to come."""
        margin = self._blocks(MARGIN_S)
        at = self._judged - margin if self._start is None else self._start
        return max(0, at - margin - self._blocks(WEAK_MARGIN_S)) * self.block

    @property
    def in_steady_tone(self) -> bool:
        """Whether a steady tone is being passed over."""
        return self._steady is not None

    def push(self, chunk: NDArray[Any]) -> Iterator[Segment]:
        """Give the segments that have ended. What is pushed must not change afterwards."""
        if len(chunk) and abs(chunk.strides[0]) > CLOSE_STRIDE * chunk.itemsize:
            chunk = np.array(chunk)
        self._chunks.append(chunk)
        for powers in self._meter.push(chunk):
            yield from self._take(powers)

    def finish(self) -> Iterator[Segment]:
        """Give the last segments."""
        for powers in self._meter.finish():
            yield from self._take(powers)
        yield from self._judge(last=True)

    def _blocks(self, time_s: float) -> int:
        return round(time_s * self.rate_hz / self.block)

    def _take(self, powers: BlockPowers) -> Iterator[Segment]:
        self.means.append(powers.means)
        self.samples += powers.samples
        self._history.add(powers.power)
        yield from self._judge(last=False)

    def _judge(self, *, last: bool) -> Iterator[Segment]:
        half = self._history.window // 2
        end = self._history.end
        until = end if last else end - half
        floor = float(self._history.floor.mean())
        if until > self._judged:
            yield from self._walk(self._history.ratios(self._judged, until), floor)
        if last and self._start is not None and self._is_more_than_noise():
            yield self._cut(self._start, end, floor, all_of=True)
            self._start = None
        self._forget(half)

    def _walk(self, ratios: Powers, floor: float) -> Iterator[Segment]:
        """Follow the averages from block `_judged` on; give each segment that has ended."""
        margin = self._blocks(MARGIN_S)
        at = self._judged
        self._judged += len(ratios)
        if self._steady is not None:
            low, high = STEADY_RATIO * self._steady, self._steady / STEADY_RATIO
            change = np.flatnonzero((ratios < low) | (ratios > high))
            if not len(change):
                return
            self._steady = None
            at += int(change[0])
            ratios = ratios[change[0] :]
            self._start = at - self._blocks(STEADY_EDGE_S)
            self._active_end = at
            self._opens = True
        active = np.flatnonzero(ratios > self._hold_ratio) + at
        if len(active):
            breaks = np.flatnonzero(np.diff(active) > 2 * margin) + 1
            firsts = [int(active[0]), *active[breaks].tolist()]
            ends = [*(active[breaks - 1] + 1).tolist(), int(active[-1]) + 1]
            if self._start is None and ratios.max() <= self._active_ratio:
                firsts, ends = firsts[-1:], ends[-1:]  # swells of the noise; the last may go on
            for first, end in zip(firsts, ends, strict=True):
                if self._start is not None and first - self._active_end > 2 * margin:
                    yield from self._end(floor)
                if self._start is None:
                    self._start = max(first - margin, self._history.first, 0)
                self._active_end = end
                self._loudest = max(self._loudest, float(ratios[first - at : end - at].max()))
        if self._start is None:
            return
        if self._judged - self._active_end > 2 * margin:
            yield from self._end(floor)
        elif self._judged - self._start > self._blocks(LONGEST_S):
            yield from self._shorten(floor)

    def _end(self, floor: float) -> Iterator[Segment]:
        """Give the segment at hand, if it was more than noise."""
        assert self._start is not None
        if self._is_more_than_noise():
            yield self._cut(self._start, self._active_end + self._blocks(MARGIN_S), floor)
        self._start, self._loudest = None, 0.0

    def _is_more_than_noise(self) -> bool:
        """Whether the segment at hand is loud, and neither converter flicker nor lone spikes."""
        assert self._start is not None
        if not self._opens and self._loudest <= self._active_ratio:
            return False
        part = self._read(self._start * self.block, self._active_end * self.block)
        if is_converter_flicker(part, self.rate_hz):
            return False
        if self._opens or self.rate_hz >= SPIKELESS_HZ:
            return True
        samples = self._scaled(part)
        cleared = remove_spikes(samples, self.rate_hz)
        return cleared is samples or self._loudness(cleared) > self._active_ratio

    def _loudness(self, samples: Floats) -> float:
        """The highest average of samples that are scaled already, over the floor."""
        meter = PowerMeter(self.rate_hz)
        powers = (*meter.push(samples), *meter.finish())
        power = np.hstack([each.power for each in powers])
        width = min(max(1, self._history.window), power.shape[1])
        sums = np.cumsum(np.pad(power, ((0, 0), (1, 0))), axis=1, dtype=np.float64)
        averages = (sums[:, width:] - sums[:, :-width]) / width
        return float((averages / np.maximum(self._history.floor, LEAST_FLOOR)[:, None]).max())

    def _shorten(self, floor: float) -> Iterator[Segment]:
        """Give the first part of a segment too long; what follows is steady tone, or the rest."""
        assert self._start is not None
        skip = self._start + self._blocks(STEADY_EDGE_S)
        level = np.maximum(*self._history.averages(skip, self._judged))
        if level.min() > STEADY_RATIO * level.max():
            at = skip + self._history.window // 2
            self._steady = float(np.sort(level)[len(level) // 2]) / max(floor, LEAST_FLOOR)
        else:
            middle = len(level) // 2
            at = skip + middle + int(np.argmin(level[middle:]))
        segment = self._cut(self._start, at, floor, closes=True)
        self._start = None if self._steady is not None else at
        self._opens = True
        yield segment

    def _cut(
        self, start: int, end: int, floor: float, *, closes: bool = False, all_of: bool = False
    ) -> Segment:
        if self._loudest < WEAK_RATIO and not all_of:
            wider = self._blocks(WEAK_MARGIN_S)
            if not self._opens:
                start = max(start - wider, self._cut_end, self._history.first, 0)
            if not closes:
                end = min(end + wider, self._history.end)
        self._loudest, self._cut_end = 0.0, end
        part = self._read(start * self.block, None if all_of else end * self.block)
        opens, self._opens = self._opens, closes
        samples = remove_spikes(self._scaled(part), self.rate_hz)
        return Segment(samples, start * self.block, floor, opens, closes)

    def _scaled(self, raw: NDArray[Any]) -> Floats:
        """Samples in the unit of the trace."""
        with np.errstate(over="ignore"):
            samples = np.array(raw, dtype=np.float32)
            if self.scale != 1.0:
                samples *= np.float32(self.scale)
        samples = clip_damaged(samples)
        if self.offset:
            samples += np.float32(self.offset)
        return samples

    def _read(self, first: int, end: int | None) -> NDArray[Any]:
        """The raw samples from `first` on."""
        parts = []
        at = self._chunks_from
        for chunk in self._chunks:
            if at + len(chunk) > first and (end is None or at < end):
                parts.append(chunk[max(first - at, 0) : None if end is None else end - at])
            at += len(chunk)
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _forget(self, half: int) -> None:
        """Drop what no segment to come can need."""
        need = self._judged - half - 3 * self._blocks(MARGIN_S) - self._blocks(WEAK_MARGIN_S)
        if self._start is not None:
            need = min(need, self._start - half - self._blocks(WEAK_MARGIN_S))
        if self._steady is not None:
            need = self._judged - half - self._blocks(STEADY_EDGE_S) - half
        self._history.forget(need)
        while self._chunks:
            end = self._chunks_from + len(self._chunks[0])
            if end > self._history.first * self.block:
                break
            self._chunks.popleft()
            self._chunks_from = end
