"""A heard message: its bits, and the frame they make with all that is wrong about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.bus import standard as std
from bridge.bus.event import Fault, FrameHeard
from bridge.bus.frame import LONGEST_READ
from bridge.bus.mending import mend_bits
from bridge.bus.parity import CheckedBytes, check_bytes

CARRIER_ERROR = 0.005  # of the carrier, how finely it is measured; judgement
LEVEL_ERROR = 0.08  # of the level, how finely it is measured; judgement
WIDE_SPAN = 1.2  # highest over measured level, from where the shape is in doubt; judgement


@dataclass(frozen=True, slots=True)
class Message:
    """Bits between two times of quiet; a bit that was lost is None.

    `margins` are how clearly the bits were decided, in nats. The level lies within `level_span`
    times `level_vpp`.
    """

    start_s: float
    end_s: float
    bits: tuple[int | None, ...]
    margins: tuple[float, ...]
    faults: tuple[Fault, ...] = ()
    carrier_hz: float | None = None
    level_vpp: float | None = None
    level_span: tuple[float, float] = (1.0, 1.0)


def frame_heard(message: Message) -> FrameHeard:
    """The frame that a message's bits make: mended, its parity checked, with its faults."""
    faults = [
        *message.faults,
        *_carrier_faults(message.carrier_hz),
        *_level_faults(message.level_vpp, message.level_span),
    ]
    bits = mend_bits(message.bits, message.margins, faults)
    checked = check_bytes(bits)
    faults += _byte_faults(checked)
    return FrameHeard(
        t_s=message.start_s,
        byte_values=checked.byte_values,
        parity_ok=checked.parity_ok,
        duration_s=message.end_s - message.start_s,
        faults=tuple(faults),
        carrier_hz=message.carrier_hz,
        level_vpp=message.level_vpp,
        bits=_show(bits),
    )


def _byte_faults(checked: CheckedBytes) -> list[Fault]:
    """What is wrong about the bytes: lost ones, wrong parity, bits left over, too many."""
    faults = []
    count = len(checked.byte_values)
    for n, (byte, fits) in enumerate(
        zip(checked.byte_values, checked.parity_ok, strict=True), start=1
    ):
        if byte is None:
            faults.append(Fault("missing_bits", f"byte {n} of {count} could not be read"))
        elif not fits:
            faults.append(Fault("parity", f"byte {n} of {count} ({byte:02X}): wrong parity"))
    if rest := checked.left_over:
        bits = f"{len(rest)} bit{'s' if len(rest) != 1 else ''}"
        what = f"{bits} after the last whole byte: {_show(rest)}"
        faults.append(Fault("left_over_bits", what))
    if count > LONGEST_READ:
        faults.append(Fault("too_long", f"{count} bytes, {LONGEST_READ} at most allowed"))
    return faults


def _carrier_faults(carrier_hz: float | None) -> list[Fault]:
    """The carrier held against 22 kHz +-20 %, as finely as it is measured."""
    if carrier_hz is None:
        return []
    if abs(carrier_hz / std.CARRIER_HZ - 1) <= std.CARRIER_TOLERANCE + CARRIER_ERROR:
        return []
    what = f"carrier {carrier_hz / 1e3:.2f} kHz, 17.6 to 26.4 kHz allowed"
    return [Fault("carrier_off", what)]


def _level_faults(level_vpp: float | None, level_span: tuple[float, float]) -> list[Fault]:
    """The level held against 650 +-250 mV peak to peak, as finely as it is measured."""
    if level_vpp is None:
        return []
    low_vpp = level_vpp * level_span[0] * (1 - LEVEL_ERROR)
    high_vpp = level_vpp * level_span[1] * (1 + LEVEL_ERROR)
    too_low = high_vpp < std.LEVEL_VPP - std.LEVEL_TOLERANCE_VPP
    too_high = low_vpp > std.LEVEL_VPP + std.LEVEL_TOLERANCE_VPP
    if not (too_low or too_high):
        return []
    as_sine = " if it is a sine" if level_span[1] > WIDE_SPAN else ""
    what = f"{level_vpp * 1e3:.0f} mV peak to peak{as_sine}, 400 to 900 mV allowed"
    return [Fault("level_off", what)]


def _show(bits: Sequence[int | None]) -> str:
    return "".join("?" if bit is None else str(bit) for bit in bits)
