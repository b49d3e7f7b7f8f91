"""Which traces of a capture carry the bus and, where that is a channel of its own, the supply.

The bus is found by what can be read on it, the supply by the levels it sits at.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.bus.event import Burst, FrameHeard, Tone
from bridge.capture.trace import Capture, Edges, Samples, Trace
from bridge.decode.hearing import ENDED_S, hear_steps
from bridge.errors import CaptureError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Told = Callable[[float], None] | None

SLOWEST_HZ = 40e3  # Hz, the slowest sampling that can hold a carrier of 17.6 kHz
FIRST_LOOK_S = 2.0  # s of each channel looked at to find the bus; more while there is none
LOOK_GROWTH = 8  # how much longer each further look is
CLEAR_SCORE = 2.0  # bytes with their parity that show the bus: the shortest command has three
JUNK_MOST = 200  # bytes and faults that no message of eight bytes has: a channel of other traffic
SUPPLY_BANDS_V = ((11.0, 14.5), (15.5, 20.0))  # V, 13 and 18 with cable, load and +1 V
SUPPLY_SHARE = 0.9  # of a supply's time that it spends in these bands, the rest is changes
SUPPLY_SPREAD_V = 1.5  # V, from the lowest to the highest tenth of its levels in a band
OFF_V = 1.0  # V, below this a channel that is named a supply is one that is still off
OWN_SUPPLY_V = (10.0, 21.0)  # V, as receivers take a mean for a supply
LEVEL_S = 1e-3  # s, over which levels are averaged
_SUPPLY_NAME = re.compile(
    r"suppl|lnb|psu|power|13\s*[/_v-]?\s*18|\bdc\b|\bv_?(?:in|cc|dd|s|sup|bus|lnb)\b", re.IGNORECASE
)
_PLAIN_NAME = re.compile(  # says nothing of what is measured, or only that it is volts
    r"(?:ch|chan|channel|column|col|samples|analog(?:ue)?|input|in|probe|trace|data|[a-d])?"
    r"[ _.-]?\d*|.*\bv(?:olts?|oltage)?\b.*|.*volt.*",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Channels:
    """The traces to hear; `supply_v` is the level that the supply was known by."""

    bus: Trace
    supply: Samples | None = None
    supply_v: float | None = None

    def describe(self, capture: Capture) -> str:
        """One sentence for a person: which channel was taken for what."""
        text = f"{capture.path}: bus on channel {self.bus.name!r}"
        if self.supply is not None:
            text += f", supply on channel {self.supply.name!r} ({self.supply_v:.1f} V at first)"
        rest = [t.name for t in capture.traces if t is not self.bus and t is not self.supply]
        if rest:
            more = f" and {len(rest) - 6} more" if len(rest) > 6 else ""
            text += f"; not used: {', '.join(map(repr, rest[:6]))}{more}"
        return text


def choose_channels(capture: Capture, channel: str | None = None, *, told: Told = None) -> Channels:
    """The bus, or the channel that is named, and the supply beside it. Raises CaptureError.

    `told` is called now and then with the time that a look has come to, in s.
    """
    bus = find_bus(capture, told=told) if channel is None else pick_channel(capture, channel)
    found = find_supply(capture, bus)
    return Channels(bus) if found is None else Channels(bus, *found)


def pick_channel(capture: Capture, channel: str) -> Trace:
    """The trace of that name; if it cannot carry the bus, say why. Raises CaptureError."""
    trace = capture.trace(channel)
    if isinstance(trace, Samples) and trace.rate_hz < SLOWEST_HZ:
        raise CaptureError(
            f"{capture.path}: channel {trace.name!r} has {trace.rate_hz:g} samples a second; a "
            f"carrier of 22 kHz needs {SLOWEST_HZ / 1e3:g} thousand or more, record it faster"
        )
    return trace


def find_bus(capture: Capture, *, told: Told = None) -> Trace:
    """The trace on which most can be read. Raises CaptureError where none can carry the bus.

    All are looked at over the same first stretch, a longer one while none is clear. A channel
    full of other traffic is not looked at again until the others have ended without the bus.
    """
    able = [
        trace
        for trace in capture.traces
        if not (isinstance(trace, Samples) and trace.rate_hz < SLOWEST_HZ)
    ]
    if not able:
        if capture.traces:
            pick_channel(capture, capture.traces[0].name)
        raise CaptureError(f"{capture.path}: holds no channel; record the bus again")
    if len(able) == 1:
        return able[0]
    best: dict[int, float] = dict.fromkeys(range(len(able)), 0.0)
    looked = list(best)
    look_s = FIRST_LOOK_S
    while looked:
        looks = {n: look_at(able[n], look_s, told) for n in looked}
        best |= {n: look.score for n, look in looks.items()}
        if max(best.values()) >= CLEAR_SCORE:
            break
        looked = [n for n, look in looks.items() if not look.is_over and not look.is_junk]
        look_s *= LOOK_GROWTH
    return able[max(best, key=lambda n: (best[n], -n))]


@dataclass(frozen=True, slots=True)
class Look:
    """How much of a stretch reads as traffic; `is_over` where the trace ended within it."""

    score: float
    is_over: bool
    is_junk: bool


def look_at(trace: Trace, look_s: float, told: Told = None) -> Look:
    """Bytes with their parity count for a trace, others and faults against it."""
    score = 0.0
    junk = 0
    steps = hear_steps(trace, look_s)
    is_over = True
    with closing(steps):
        try:
            for step in steps:
                for event in step.events:
                    if isinstance(event, FrameHeard):
                        right = sum(event.parity_ok)
                        wrong = len(event.parity_ok) - right
                        score += right - 0.5 * wrong - 0.05 * len(event.faults)
                        junk += wrong + len(event.faults)
                    elif isinstance(event, (Burst, Tone)):
                        score += 0.1
                is_over = step.reached_s == ENDED_S
                if told is not None and not is_over:
                    told(step.reached_s)
                if junk > JUNK_MOST and score < 0:
                    return Look(score, False, True)
        except CaptureError:
            return Look(score, True, False)
    return Look(score, is_over, False)


def find_supply(capture: Capture, bus: Trace) -> tuple[Samples, float] | None:
    """The channel that holds the supply of a bus that is AC coupled or logic, and its level."""
    others = [t for t in capture.traces if isinstance(t, Samples) and t is not bus]
    if not others or not isinstance(bus, (Samples, Edges)):
        return None
    if isinstance(bus, Samples):
        own = levels_of(bus, FIRST_LOOK_S)
        low, high = OWN_SUPPLY_V
        if len(own) and low < _middle(own) < high:
            return None  # it is DC coupled: the supply is on it
    found = []
    for n, trace in enumerate(others):
        is_named = _SUPPLY_NAME.search(trace.name) is not None
        may_be = trace.says_volts or (trace.volts and _PLAIN_NAME.fullmatch(trace.name))
        if not (is_named or may_be):
            continue  # another quantity, counts or parts of full scale
        levels = levels_of(trace, FIRST_LOOK_S)
        if not len(levels):
            continue
        is_off = is_named and trace.volts and float(abs(levels).max()) < OFF_V
        if is_off or _sits_as_supply(levels):
            found.append(((is_named, not is_off, -n), trace, _middle(levels)))
    if not found:
        return None
    _, trace, middle = max(found, key=lambda row: row[0])
    return trace, middle


def _sits_as_supply(levels: NDArray[np.float64]) -> bool:
    """Whether levels keep to what a supply has, and are steady there."""
    import numpy as np  # noqa: PLC0415

    inside = 0
    for low, high in SUPPLY_BANDS_V:
        some = levels[(levels > low) & (levels < high)]
        inside += len(some)
        if len(some) and float(np.ptp(np.quantile(some, [0.1, 0.9]))) > SUPPLY_SPREAD_V:
            return False
    return inside >= SUPPLY_SHARE * len(levels)


def levels_of(trace: Samples, look_s: float) -> NDArray[np.float64]:
    """Mean levels of the first stretch of a trace, LEVEL_S apart or as its samples come."""
    import numpy as np  # noqa: PLC0415

    count = max(1, round(LEVEL_S * trace.rate_hz))
    left = max(count, int(look_s * trace.rate_hz))
    means: list[NDArray[np.float64]] = []
    rest = np.zeros(0, np.float32)
    chunks: Iterable[NDArray[np.float32]] = trace.chunks()
    try:
        for chunk in chunks:
            part = np.concatenate((rest, np.nan_to_num(chunk[:left])))
            left -= len(part) - len(rest)
            whole = len(part) // count * count
            means.append(part[:whole].reshape(-1, count).mean(axis=1, dtype=np.float64))
            rest = part[whole:]
            if left <= 0:
                break
    except CaptureError:  # the pass over the bus will tell of it
        pass
    levels = np.concatenate(means) if means else np.zeros(0)
    return levels if len(levels) or not len(rest) else np.array([rest.mean(dtype=np.float64)])


def _middle(levels: NDArray[np.float64]) -> float:
    import numpy as np  # noqa: PLC0415

    return float(np.median(levels))
