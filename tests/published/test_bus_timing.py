"""The keying against the open standard's figures, and the receiver against detection theory.

Sources: EUTELSAT, DiSEqC Bus Functional Specification 4.2, physical layer (from memory);
odd parity bits (computed); envelope detection of on-off keyed tone, closed forms and integrals
(computed, checked by Monte Carlo of 4 million bits a point when the figures were made).
"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus import standard as std
from bridge.bus.keying.mark import marks_of
from bridge.bus.parity import bits_of, check_bytes, parity_bit
from bridge.signal.likelihood import log_i0


@pytest.mark.parametrize(("length", "length_ms"), [(3, 40.5), (4, 54.0), (5, 67.5), (6, 81.0)])
def test_message_durations(length: int, length_ms: float) -> None:
    """Messages of 3 to 6 bytes last 40.5, 54, 67.5 and 81 ms (specification, from memory)."""
    assert len(bits_of(bytes(length))) * std.BIT_S == pytest.approx(length_ms * 1e-3)
    last = marks_of(bytes(length), start_s=1.0)[-1]  # 00 has parity bit 1: half a ms of tone
    assert last.off_s == pytest.approx(1.0 + (length_ms - 1.0) * 1e-3)


def test_a_bit_is_three_slots() -> None:
    """0 is 1.0 ms of tone and 0.5 ms of quiet, 1 is 0.5 and 1.0 (specification, from memory)."""
    marks = marks_of(b"\x55")
    lengths = [round((mark.off_s - mark.on_s) * 1e3, 6) for mark in marks]
    assert lengths == [1.0, 0.5, 1.0, 0.5, 1.0, 0.5, 1.0, 0.5, 0.5]
    starts = [mark.on_s for mark in marks]
    assert np.diff(starts) == pytest.approx([1.5e-3] * 8)


def test_burst_b_is_the_byte_ff_with_its_parity_bit() -> None:
    """Nine bursts of 0.5 ms at 1.5 ms: 12.5 ms in all (specification, from memory)."""
    marks = marks_of(b"\xff")
    assert [round((mark.off_s - mark.on_s) * 1e3, 6) for mark in marks] == [0.5] * 9
    assert marks[-1].off_s == pytest.approx(std.BURST_S)


@pytest.mark.parametrize(
    ("byte", "bit"),
    [(0x00, 1), (0x01, 0), (0x55, 1), (0x7F, 0), (0x80, 0), (0xE0, 0), (0xFF, 1)],
)
def test_odd_parity_bits(byte: int, bit: int) -> None:
    """Odd parity (computed)."""
    assert parity_bit(byte) == bit


def test_parity_finds_all_odd_errors_and_misses_255_of_511_patterns() -> None:
    """Of 511 patterns of errors over nine bits 255 have even weight and pass (computed)."""
    sent = np.array(bits_of(b"\xa6"))
    missed = 0
    for pattern in range(1, 512):
        errors = np.array([(pattern >> n) & 1 for n in range(9)])
        right = check_bytes((sent ^ errors).tolist()).parity_ok
        assert right[0] == (int(errors.sum()) % 2 == 0)
        missed += right[0]
    assert missed == 255


def _matched_outputs(rng: np.random.Generator, gamma: float, tone: int, bits: int) -> np.ndarray:
    """Slots of `bits` bits with `tone` slots of tone, in units where the noise is CN(0, 1)."""
    noise = rng.standard_normal((bits, 3, 2)) @ np.array([1, 1j]) / np.sqrt(2)
    phase = np.exp(2j * np.pi * rng.random((bits, 1)))
    noise[:, :tone] += np.sqrt(gamma) * phase
    return np.asarray(noise)


@pytest.mark.parametrize(("decibel", "error_rate"), [(10, 1.429e-2), (12, 2.732e-3)])
def test_bits_are_weighed_as_well_as_theory_allows(decibel: float, error_rate: float) -> None:
    """D2, one phase in a stretch of tone, level and noise known: bit error rates (computed)."""
    rng = np.random.default_rng(2024)
    gamma = 10 ** (decibel / 10)
    bits = 150_000
    wrong = 0
    for bit, tone in ((1, 1), (0, 2)):
        z = _matched_outputs(rng, gamma, tone, bits)
        root = 2 * np.sqrt(gamma)
        one = log_i0(root * np.abs(z[:, 0])) - gamma
        two = log_i0(root * np.abs(z[:, 0] + z[:, 1])) - 2 * gamma
        wrong += int(np.count_nonzero((one > two) != (bit == 1)))
    expected = 2 * bits * error_rate
    assert wrong == pytest.approx(expected, abs=4 * np.sqrt(expected))


@pytest.mark.parametrize(("decibel", "threshold"), [(6, 1.4410), (10, 1.9222), (14, 2.7628)])
def test_the_threshold_of_a_single_slot(decibel: float, threshold: float) -> None:
    """D1 decides where I0(2 sqrt(g) y) = exp(g): y0 of the theory's table (computed)."""
    gamma = 10 ** (decibel / 10)
    assert log_i0(np.array([2 * np.sqrt(gamma) * threshold]))[0] == pytest.approx(gamma, abs=2e-3)
