"""Frames -> the waveform that sends them: samples in volts, or a comparator's edges."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark, marks_of
from bridge.errors import FrameError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float32]

LEAST_RATE_HZ = 48e3  # samples/s, the usual rate above twice 22 kHz; common practice
GAP_S = 25e-3  # s of quiet before, between and after: 15 ms (standard) and room; judgement
PIECE_S = 0.5  # s of samples made at once; judgement


@dataclass(frozen=True, slots=True)
class Sending:
    """Frames to send, and how: times in s, levels in V, frequencies in Hz.

    Raises FrameError for no frames or one without bytes.
    """

    frames: Sequence[bytes]
    supply_v: float = float(std.SUPPLY_LOW_V)
    carrier_hz: float = std.CARRIER_HZ
    level_vpp: float = std.LEVEL_VPP
    slot_s: float = std.SLOT_S
    gap_s: float = GAP_S

    def __post_init__(self) -> None:
        if not self.frames or not all(self.frames):
            raise FrameError("no bytes to send; give one frame or more")

    @property
    def starts_s(self) -> list[float]:
        """When each frame's first tone begins, in s."""
        starts, at_s = [], self.gap_s
        for frame in self.frames:
            starts.append(at_s)
            at_s += len(frame) * std.BITS_PER_BYTE * 3 * self.slot_s + self.gap_s
        return starts

    @property
    def length_s(self) -> float:
        """How long all of it lasts, quiet at both ends included."""
        bits = sum(len(frame) for frame in self.frames) * std.BITS_PER_BYTE
        return bits * 3 * self.slot_s + self.gap_s * (len(self.frames) + 1)

    @property
    def marks(self) -> list[Mark]:
        """Every stretch of tone, in time order."""
        return [
            mark
            for frame, start_s in zip(self.frames, self.starts_s, strict=True)
            for mark in marks_of(frame, start_s, self.slot_s)
        ]


def samples_of(sending: Sending, rate_hz: float) -> Iterator[Floats]:
    """The waveform in V, in pieces of any length (1-D, float32).

    Raises FrameError for a rate that cannot hold the carrier.
    """
    if not rate_hz >= LEAST_RATE_HZ:
        raise FrameError(
            f"{rate_hz:g} samples a second hold no carrier of 22 kHz; "
            f"give {LEAST_RATE_HZ:g} or more with --rate"
        )
    marks = sending.marks
    on_s = np.array([mark.on_s for mark in marks])
    off_s = np.array([mark.off_s for mark in marks])
    total = round(sending.length_s * rate_hz)
    piece = round(PIECE_S * rate_hz)
    for start in range(0, total, piece):
        at_s = np.arange(start, min(start + piece, total)) / rate_hz
        mark = np.searchsorted(on_s, at_s, side="right") - 1
        inside = (mark >= 0) & (at_s < off_s[mark])
        since_s = np.where(inside, at_s - on_s[mark], 0.0)
        tone = np.sin(2 * np.pi * sending.carrier_hz * since_s) * (sending.level_vpp / 2)
        yield (sending.supply_v + np.where(inside, tone, 0.0)).astype(np.float32)


def edges_of(sending: Sending) -> Iterator[tuple[float, int]]:
    """(time in s, level) of a comparator on the carrier; it rests at 0."""
    half_s = 0.5 / sending.carrier_hz
    for mark in sending.marks:
        halves = max(2, round(mark.length_s / half_s) // 2 * 2)
        for n in range(halves):
            yield mark.on_s + n * half_s, 1 - n % 2
