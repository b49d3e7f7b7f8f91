"""Lines and packets: round trips, damage, chunks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BadInput
from bridge.link.packet import LONGEST_LINE, LineSplitter, Packet, parse_line

words = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), min_size=1, max_size=12)
packets = st.builds(
    Packet,
    st.one_of(st.none(), st.integers(0, 9999)),
    st.text("abcdefghijklmnopqrstuvwxyz", min_size=1, max_size=8),
    st.lists(words, max_size=8).map(tuple),
)


@given(packets)
def test_round_trip(packet):
    line = packet.line()
    assert line.endswith(b"\n")
    assert parse_line(line[:-1]) == packet
    assert parse_line(line[:-1] + b"\r") == packet


@given(packets, st.data())
def test_one_damaged_character_is_never_taken(packet, data):
    line = bytearray(packet.line()[:-1])
    at = data.draw(st.integers(0, len(line) - 1))
    line[at] ^= data.draw(st.integers(1, 255))
    assert parse_line(bytes(line)) is None or bytes(line).strip().lower() in (b"stop", b"status")


@given(packets, st.data())
def test_a_burst_of_damage_up_to_16_bits_is_never_taken(packet, data):
    """CRC-16 finds every burst no longer than itself (a property of the code: computed)."""
    line = packet.line()[:-1]
    at = data.draw(st.integers(0, len(line) - 2))
    pair = int.from_bytes(line[at : at + 2], "big") ^ data.draw(st.integers(1, 0xFFFF))
    damaged = line[:at] + pair.to_bytes(2, "big") + line[at + 2 :]
    assert parse_line(damaged) is None or damaged.strip().lower() in (b"stop", b"status")


@given(packets, st.integers(1, 30))
def test_a_line_cut_short_is_never_taken(packet, cut):
    line = packet.line()[:-1]
    assert parse_line(line[: max(0, len(line) - cut)]) is None


@given(st.binary(max_size=300))
def test_no_line_whatever_makes_it_raise(line):
    packet = parse_line(line)
    if packet is not None and not packet.bare:
        assert packet.line()[:-1] == line.rstrip(b"\r")


@given(st.lists(packets, max_size=6), st.lists(st.integers(1, 40), max_size=60))
def test_any_chunks_give_the_same_lines(many, sizes):
    stream = b"".join(packet.line() for packet in many) + b"rest"
    splitter, lines, at = LineSplitter(), [], 0
    for size in [*sizes, len(stream)]:
        lines += splitter.feed(stream[at : at + size])
        at += size
    assert [parse_line(line) for line in lines] == many


@given(st.integers(0, 2000), st.integers(1, 400))
def test_a_line_too_long_is_dropped_and_the_next_one_read(length, size):
    stream = b"x" * length + b"\nstop\n"
    splitter, lines = LineSplitter(), []
    for at in range(0, len(stream), size):
        lines += splitter.feed(stream[at : at + size])
    assert len(lines) == 2
    assert len(lines[0]) <= LONGEST_LINE + 1
    assert lines[1] == b"stop"


@pytest.mark.parametrize("line", [b"stop", b"stop\r", b"Stop", b" status "])
def test_bare_words_need_no_checksum(line):
    packet = parse_line(line)
    assert packet is not None
    assert packet.bare


@pytest.mark.parametrize(
    "line", [b"", b"keep", b"1 keep", b"01 keep 0000", b"10000 keep 0000", b"stop now"]
)
def test_other_words_do(line):
    assert parse_line(line) is None


@pytest.mark.parametrize(
    ("packet", "says"),
    [
        (Packet(10_000, "keep"), "10000"),
        (Packet(-1, "keep"), "-1"),
        (Packet(1, "two words"), "two words"),
        (Packet(1, "keep", ("",)), "''"),
        (Packet(1, "keep", ("x" * 240,)), "longer than 240"),
    ],
)
def test_what_no_line_can_carry_is_refused(packet, says):
    with pytest.raises(BadInput, match=says):
        packet.line()


def test_the_example_in_the_drawing_is_true():
    """The line drawn at the top of the module, word for word."""
    assert Packet(17, "send", ("E03168FF", "0")).line() == b"17 send E03168FF 0 38FC\n"
