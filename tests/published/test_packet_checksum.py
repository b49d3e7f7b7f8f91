"""The checksum of a packet against published check values.

CRC-16/IBM-3740 (also called CCITT-FALSE): polynomial 0x1021, start 0xFFFF, nothing reflected, no
final exclusive-or; check value 0x29B1 for the ASCII digits 1 to 9, as listed in the CRC catalogue
carried by the documentation of the `crc` crates (docs.rs, crc-catalog and crc16).
"""

from __future__ import annotations

import pytest

from bridge.link.packet import crc, parse_line


def crc_bit_by_bit(data: bytes, start: int) -> int:
    """The definition, written out: shift and divide by x^16 + x^12 + x^5 + 1."""
    value = start
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1) ^ (0x1021 if value & 0x8000 else 0)
            value &= 0xFFFF
    return value


def test_check_value_of_the_catalogue():
    assert crc(b"123456789") == 0x29B1


def test_the_written_out_definition_gives_the_catalogues_values_too():
    assert crc_bit_by_bit(b"123456789", 0xFFFF) == 0x29B1  # IBM-3740
    assert crc_bit_by_bit(b"123456789", 0x0000) == 0x31C3  # XMODEM


def test_all_bytes():
    assert crc(bytes(range(256))) == 0x3FBD  # computed with the definition above
    assert crc_bit_by_bit(bytes(range(256)), 0xFFFF) == 0x3FBD


@pytest.mark.parametrize("text", [b"0 keep", b"17 send E03168FF 0", b"- booted 3"])
def test_a_line_made_with_the_definition_is_taken(text):
    line = text + b" %04X" % crc_bit_by_bit(text, 0xFFFF)
    packet = parse_line(line)
    assert packet is not None
    assert packet.body == text.decode().split(" ", 1)[1]
