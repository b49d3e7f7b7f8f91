"""Bits to bytes, each with its odd parity checked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.parity import CheckedBytes, bits_of, check_bytes

E0 = [1, 1, 1, 0, 0, 0, 0, 0, 0]  # three ones: the parity bit is 0
FF = [1, 1, 1, 1, 1, 1, 1, 1, 1]


def test_bits_are_sent_most_significant_first_with_odd_parity() -> None:
    assert bits_of(b"\xe0\xff") == E0 + FF
    assert bits_of(b"\x01") == [0, 0, 0, 0, 0, 0, 0, 1, 0]
    assert bits_of(b"\x00") == [0, 0, 0, 0, 0, 0, 0, 0, 1]


@given(st.binary(max_size=8))
def test_what_is_sent_is_checked_right(data: bytes) -> None:
    checked = check_bytes(bits_of(data))
    assert checked == CheckedBytes(tuple(data), (True,) * len(data), ())
    assert checked.is_whole == bool(data)


@pytest.mark.parametrize("place", range(9))
def test_a_single_bit_turned_shows(place: int) -> None:
    bits = [*E0, *FF]
    bits[place] = 1 - bits[place]
    checked = check_bytes(bits)
    assert checked.parity_ok == (False, True)
    assert checked.byte_values[1] == 0xFF
    assert not checked.is_whole


def test_a_lost_bit_costs_its_byte_and_bits_left_over_are_kept() -> None:
    checked = check_bytes([*E0, None, *FF[1:], 1, None])
    assert checked == CheckedBytes((0xE0, None), (True, False), (1, None))
    assert not checked.is_whole
    assert not check_bytes([*E0, 1]).is_whole
    assert check_bytes([]) == CheckedBytes((), (), ())
