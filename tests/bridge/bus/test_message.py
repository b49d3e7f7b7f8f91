"""A message's bits to a frame, with each fault in whole sentences."""

from __future__ import annotations

from math import inf

import pytest

from bridge.bus.event import Fault, FrameHeard
from bridge.bus.message import Message, frame_heard
from bridge.bus.parity import bits_of

HALT = bytes.fromhex("E03160")


def heard(bits: list[int | None], **more: object) -> FrameHeard:
    margins = (inf,) * len(bits)
    return frame_heard(Message(1.0, 1.039, tuple(bits), margins, **more))  # type: ignore[arg-type]


def test_a_message_in_order_becomes_a_frame_without_faults() -> None:
    frame = heard([*bits_of(HALT)], carrier_hz=22_000.0, level_vpp=0.65)
    assert frame == FrameHeard(
        t_s=1.0,
        byte_values=(0xE0, 0x31, 0x60),
        parity_ok=(True, True, True),
        duration_s=1.039 - 1.0,
        carrier_hz=22_000.0,
        level_vpp=0.65,
        bits="111000000001100010011000001",
    )


def test_wrong_parity_lost_bytes_and_left_over_bits_are_named() -> None:
    bits: list[int | None] = [*bits_of(HALT), 1, None, 0]
    bits[3], bits[10] = 1, None
    frame = heard(bits, faults=(Fault("notch", "seen before"),))
    assert frame.faults == (
        Fault("notch", "seen before"),
        Fault("parity", "byte 1 of 3 (F0): wrong parity"),
        Fault("missing_bits", "byte 2 of 3 could not be read"),
        Fault("left_over_bits", "3 bits after the last whole byte: 1?0"),
    )
    assert frame.bits == "1111000000?11000100110000011?0"
    (fault,) = heard([*bits_of(HALT), 1]).faults
    assert fault.detail == "1 bit after the last whole byte: 1"


@pytest.mark.parametrize(("count", "is_told"), [(8, False), (9, True)])
def test_more_bytes_than_a_message_can_have_are_named(count: int, is_told: bool) -> None:
    faults = heard([*bits_of(bytes(range(count)))]).faults
    assert faults == ((Fault("too_long", "9 bytes, 8 at most allowed"),) if is_told else ())


def test_a_mended_bit_is_named_after_what_was_seen() -> None:
    bits = [*bits_of(HALT)]
    bits[4] = 1
    margins = tuple(1.0 if n == 4 else 30.0 for n in range(27))
    frame = frame_heard(Message(0.0, 0.04, tuple(bits), margins, carrier_hz=30e3))
    assert frame.byte_values == tuple(HALT)
    assert [fault.code for fault in frame.faults] == ["carrier_off", "mended"]


@pytest.mark.parametrize(
    ("carrier_hz", "is_off"),
    [(17_480.0, True), (17_500.0, False), (26_500.0, False), (26_520.0, True)],
)
def test_the_carrier_is_held_against_20_percent(carrier_hz: float, is_off: bool) -> None:
    """17.6 to 26.4 kHz, and 0.5 % of 22 kHz, 110 Hz, for how finely it is measured."""
    faults = heard([*bits_of(HALT)], carrier_hz=carrier_hz).faults
    what = f"carrier {carrier_hz / 1e3:.2f} kHz, 17.6 to 26.4 kHz allowed"
    assert faults == ((Fault("carrier_off", what),) if is_off else ())


@pytest.mark.parametrize(
    ("level_vpp", "level_span", "is_off"),
    [
        (0.365, (1.0, 1.0), True), (0.375, (1.0, 1.0), False),
        (0.97, (1.0, 1.0), False), (0.985, (1.0, 1.0), True),
        (0.3, (0.8, 1.3), False), (0.28, (0.8, 1.3), True),
        (1.2, (0.8, 1.3), False), (1.3, (0.8, 1.3), True),
    ],
)  # fmt: skip
def test_the_level_is_held_against_650_and_250_mv(
    level_vpp: float, level_span: tuple[float, float], is_off: bool
) -> None:
    """400 to 900 mV, and 8 % for how finely it is measured, by the shape that it may have."""
    faults = heard([*bits_of(HALT)], level_vpp=level_vpp, level_span=level_span).faults
    as_sine = " if it is a sine" if level_span[1] > 1.2 else ""
    what = f"{level_vpp * 1e3:.0f} mV peak to peak{as_sine}, 400 to 900 mV allowed"
    assert faults == ((Fault("level_off", what),) if is_off else ())
