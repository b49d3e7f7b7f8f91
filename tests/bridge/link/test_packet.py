"""Lines and packets: round trips, damage, chunks."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BadInput
from bridge.link.packet import LONGEST_LINE, LineSplitter, Packet, crc, parse_line

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


def padded(length: int) -> Packet:
    """A packet whose line has so many bytes without its line feed."""
    return Packet(7, "send", ("x" * (length - len("7 send  0000")),))


def test_a_line_of_240_bytes_is_the_longest_that_passes():
    line = padded(240).line()
    assert len(line) == 240 + 1
    for ending in (b"\n", b"\r\n"):
        (whole,) = LineSplitter().feed(line[:-1] + ending)
        assert parse_line(whole) == padded(240)
    with pytest.raises(BadInput) as caught:
        padded(241).line()
    assert str(caught.value) == "a packet of 241 bytes is longer than 240; send less"


def test_a_line_of_more_bytes_is_dropped_though_its_checksum_is_right():
    text = b"7 send " + b"x" * 230
    line = b"%s %04X" % (text, crc(text))
    assert len(line) == 242
    assert parse_line(line) is None
    assert LineSplitter().feed(line + b"\n") == [b"?"]


@pytest.mark.parametrize("number", [0, 9999, None])
def test_the_first_and_the_last_number_and_none_are_sent(number):
    line = Packet(number, "keep").line()
    assert parse_line(line[:-1]) == Packet(number, "keep")
    assert line.split()[0] == (b"-" if number is None else str(number).encode())


def test_a_number_out_of_range_is_one_sentence():
    with pytest.raises(BadInput) as caught:
        Packet(10_000, "keep").line()
    assert str(caught.value) == "packet number 10000 is not in 0 to 9999"


def test_bare_words_are_written_bare():
    assert Packet(None, "stop", bare=True).line() == b"stop\n"


@pytest.mark.parametrize("damage", [b"7 keep 0000", b"7  keep 0000", b"7 KEEP 0000", b"7 keep"])
def test_a_wrong_checksum_or_form_is_no_packet(damage):
    assert parse_line(damage) is None


def test_after_a_line_that_was_dropped_in_pieces_the_next_is_whole():
    splitter = LineSplitter()
    assert splitter.feed(b"x" * 242) == []
    assert splitter.feed(b"stop") == []  # still the same line
    assert splitter.feed(b"\nstop\n") == [b"?", b"stop"]


def test_the_longest_line_is_read_whole_in_any_pieces() -> None:
    """One byte may stand behind the longest line: the carriage return of a typed one."""
    line = b"x" * LONGEST_LINE + b"\r"
    for cut in (1, LONGEST_LINE - 1, LONGEST_LINE, LONGEST_LINE + 1):
        lines = LineSplitter()
        assert lines.feed(line[:cut]) == []
        assert lines.feed(line[cut:] + b"\nnext\n") == [line, b"next"]
    lines = LineSplitter()
    assert lines.feed(line + b"y") == []
    assert lines.feed(b"\nnext\n") == [b"?", b"next"]
