"""A bit mended by its parity: which one, when, and what is said of it."""

from __future__ import annotations

import pytest

from bridge.bus.event import Fault
from bridge.bus.mending import mend_bits
from bridge.bus.parity import bits_of

HALT = bytes.fromhex("E03160")


def mended(
    wrong: int, margins: dict[int, float], data: bytes = HALT
) -> tuple[list[int | None], list[Fault]]:
    """The bits of a frame, one turned on the way, after mending; margins of 40 nats elsewhere."""
    bits: list[int | None] = [*bits_of(data)]
    bits[wrong] = 1 - (bits[wrong] or 0)
    faults: list[Fault] = []
    each = [margins.get(n, 40.0) for n in range(len(bits))]
    return list(mend_bits(bits, each, faults)), faults


@pytest.mark.parametrize(
    ("place", "what"),
    [
        (0, "byte 1: bit 1"), (7, "byte 1: bit 8"), (8, "byte 1: its parity bit"),
        (9, "byte 2: bit 1"), (26, "byte 3: its parity bit"),
    ],
)  # fmt: skip
def test_the_bit_most_in_doubt_is_turned(place: int, what: str) -> None:
    bits, faults = mended(place, {place: 1.25, (place + 1) % 27: 1.5})
    assert bits == bits_of(HALT)
    sentence = f"{what} turned to fit the parity, likelihood ratio e**1.2"
    assert faults == [Fault("mended", sentence)]


@pytest.mark.parametrize(("margin", "is_mended"), [(9.0, True), (9.1, False)])
def test_a_bit_that_noise_did_not_turn_stays(margin: float, is_mended: bool) -> None:
    bits, faults = mended(3, {3: margin})
    assert (bits == bits_of(HALT)) == is_mended
    assert bool(faults) == is_mended


def test_a_byte_whose_parity_fits_stays_whatever_the_doubt() -> None:
    faults: list[Fault] = []
    bits = bits_of(HALT)
    assert list(mend_bits(bits, [0.1] * len(bits), faults)) == bits
    assert faults == []


def test_a_byte_with_a_lost_bit_and_bits_left_over_stay() -> None:
    bits: list[int | None] = [None, *bits_of(HALT)[1:9], 1, 1]
    faults: list[Fault] = []
    assert list(mend_bits(bits, [0.1] * len(bits), faults)) == bits
    assert faults == []
