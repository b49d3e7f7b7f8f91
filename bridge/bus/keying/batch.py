"""Messages with nothing wrong about them, read many at once by columns.

A logic line sampled for hours holds thousands of messages, nearly all without a fault. What is
faultless by every rule of `slots`, `evenness`, `parity` and `keying`, with room to spare, is read
here; the rest is left to `keying`, mark by mark. Both give the same frame. Where messages are
dense this is five times as fast (decode_speed.py prints both).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.event import FrameHeard
from bridge.bus.frame import LONGEST_READ
from bridge.bus.keying.evenness import largest_even_s
from bridge.bus.keying.mark import Mark
from bridge.bus.keying.slots import DOUBLE_S
from bridge.bus.parity import fits_parity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Reals = NDArray[np.float64]
    Truths = NDArray[np.bool_]
    Places = NDArray[np.intp]

ROOM = 0.9  # of what is allowed: nearer to its bound `keying` decides; judgement
LOW_S = std.SLOT_S - ROOM * std.SLOT_TOLERANCE_S  # s, shortest slot read here
HIGH_S = std.SLOT_S + ROOM * std.SLOT_TOLERANCE_S  # s, longest slot read here
MOST_MARKS = LONGEST_READ * std.BITS_PER_BYTE  # marks of the longest message


@dataclass(frozen=True, slots=True)
class MarkColumns:
    """Marks in time order as columns, (n,) each; `carrier_hz` is nan where not measured."""

    on_s: Reals
    off_s: Reals
    carrier_hz: Reals

    def __len__(self) -> int:
        return len(self.on_s)

    def marks(self) -> list[Mark]:
        """The same marks one by one."""
        columns = (self.on_s, self.off_s, self.carrier_hz)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        return [Mark(on, off, carrier_hz=None if isnan(hz) else hz) for on, off, hz in rows]

    def part(self, first: int, end: int) -> MarkColumns:
        """Marks `first` to `end`, as views."""
        return MarkColumns(self.on_s[first:end], self.off_s[first:end], self.carrier_hz[first:end])

    def then(self, others: MarkColumns) -> MarkColumns:
        """These and the others after them."""
        if not len(self) or not len(others):
            return self if len(self) else others
        return MarkColumns(
            np.concatenate((self.on_s, others.on_s)),
            np.concatenate((self.off_s, others.off_s)),
            np.concatenate((self.carrier_hz, others.carrier_hz)),
        )


NO_MARKS = MarkColumns(np.empty(0), np.empty(0), np.empty(0))


@dataclass(frozen=True, slots=True)
class Run:
    """Marks `first` to `end` between times of quiet; `frame` is theirs, if nothing is wrong."""

    first: int
    end: int
    frame: FrameHeard | None

    def __len__(self) -> int:
        return self.end - self.first


def read_batch(
    marks: MarkColumns, timing_error_s: float, *, alone_from_s: float, until_s: float
) -> list[Run]:
    """The runs of marks between quiet that ends a message; empty for no marks.

    The first run may get a frame if it begins after `alone_from_s`, the last one if there is no
    tone after it up to `until_s`; a message that is cut off, or stands too close to the one
    before it, has a fault.
    """
    if not len(marks):
        return []
    gaps = np.append(marks.on_s[1:], until_s) - marks.off_s
    lasts = np.flatnonzero(gaps[:-1] > std.END_OF_MESSAGE_S)
    ends = np.append(lasts + 1, len(marks))
    firsts = np.append(0, lasts + 1)
    counts = ends - firsts
    faultless = (counts % std.BITS_PER_BYTE == 0) & (counts <= MOST_MARKS)
    faultless[0] &= bool(marks.on_s[0] >= alone_from_s)
    faultless[-1] &= bool(gaps[-1] > std.END_OF_MESSAGE_S)
    faultless[1:] &= gaps[lasts] >= std.QUIET_S
    frames: list[FrameHeard | None] = [None] * len(firsts)
    if faultless.any():
        some = np.repeat(faultless, counts)
        chosen = MarkColumns(marks.on_s[some], marks.off_s[some], marks.carrier_hz[some])
        read = _read_faultless(chosen, gaps[some], counts[faultless], timing_error_s)
        for n, frame in zip(np.flatnonzero(faultless).tolist(), read, strict=True):
            frames[n] = frame
    rows = zip(firsts.tolist(), ends.tolist(), frames, strict=True)
    return [Run(first, end, frame) for first, end, frame in rows]


def _read_faultless(
    marks: MarkColumns, gaps: Reals, counts: Places, timing_error_s: float
) -> list[FrameHeard | None]:
    """Frames of runs of whole bytes, `counts` marks each; None where one is not faultless."""
    ends = np.cumsum(counts)
    firsts = ends - counts
    owner = np.repeat(np.arange(len(counts)), counts)
    place = np.arange(len(marks)) - firsts[owner]
    inner = np.ones(len(marks), np.bool_)
    inner[ends - 1] = False
    tones = marks.off_s - marks.on_s
    double = tones >= DOUBLE_S
    tone_slots = np.where(double, tones / 2, tones)
    quiet_slots = np.where(double, gaps, gaps / 2)[inner]
    spans = np.concatenate((tone_slots, quiet_slots))
    whose = np.concatenate((owner, owner[inner]))
    slots = np.concatenate((1 + double, 2 - double[inner]))
    where = (whose, np.concatenate((place, (counts[owner] + place)[inner])))
    uneven = _is_uneven(spans, slots, where, 2 * counts - 1, timing_error_s)
    wrong = (spans < LOW_S) | (spans > HIGH_S) | uneven
    bits = ~double
    data, right = _find_bytes(bits)
    faultless = ~_any_of(wrong, whose, len(counts))
    faultless &= ~_any_of(~right, owner[:: std.BITS_PER_BYTE], len(counts))
    faultless &= _any_of(double, owner, len(counts))  # nine times a 1 is a burst
    unknown = np.isnan(marks.carrier_hz)
    if unknown.all():
        carriers: list[float | None] = [None] * len(counts)
    else:
        carrier_hz = _medians(marks.carrier_hz, (owner, place), counts)
        off = np.abs(carrier_hz / std.CARRIER_HZ - 1) > std.CARRIER_TOLERANCE
        faultless &= ~(off | _any_of(unknown, owner, len(counts)))
        carriers = carrier_hz.tolist()
    begun = marks.on_s[firsts].tolist()
    lengths = (marks.off_s[ends - 1] - marks.on_s[firsts]).tolist()
    shown = (bits.view(np.uint8) + ord("0")).tobytes().decode("ascii")
    frames: list[FrameHeard | None] = []
    for n, (first, end) in enumerate(zip(firsts.tolist(), ends.tolist(), strict=True)):
        if not faultless[n]:
            frames.append(None)
            continue
        mine = data[first // std.BITS_PER_BYTE : end // std.BITS_PER_BYTE]
        frames.append(
            FrameHeard(
                t_s=begun[n],
                byte_values=tuple(mine),
                parity_ok=(True,) * len(mine),
                duration_s=lengths[n],
                carrier_hz=carriers[n],
                bits=shown[first:end],
            )
        )
    return frames


def _is_uneven(
    spans: Reals,
    slots: Places,
    where: tuple[Places, Places],
    sizes: Places,
    timing_error_s: float,
) -> Truths:
    """Which spans stand out from their own message, as `evenness` has it."""
    whose = where[0]
    off_s = np.abs(spans - _medians(spans, where, sizes)[whose])
    usual_s = _medians(off_s, where, sizes)[whose]
    uneven: Truths = slots * off_s > ROOM * largest_even_s(slots, usual_s, timing_error_s)
    return uneven


def _find_bytes(bits: Truths) -> tuple[list[int], Truths]:
    """The bytes of whole groups of nine bits, and whether the parity of each fits."""
    groups = bits.reshape(-1, std.BITS_PER_BYTE)
    return np.packbits(groups[:, :8], axis=1)[:, 0].tolist(), fits_parity(groups.sum(axis=1))


def _any_of(truths: Truths, whose: Places, count: int) -> Truths:
    """For each of `count` owners, whether any of what is theirs is true."""
    found = np.zeros(count, np.bool_)
    found[whose[truths]] = True
    return found


def _medians(values: Reals, where: tuple[Places, Places], sizes: Places) -> Reals:
    """The median of each row, of `sizes` values that lie at (row, place) `where`."""
    rows = np.full((len(sizes), int(sizes.max())), np.inf)
    rows[where] = values
    rows.sort(axis=1)
    each = np.arange(len(sizes))
    middles: Reals = (rows[each, (sizes - 1) // 2] + rows[each, sizes // 2]) / 2
    return middles
