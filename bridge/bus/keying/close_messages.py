"""Messages that stand closer than the 6 ms of quiet that end the first: where to split them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark
from bridge.bus.keying.slots import join_marks, read_bits
from bridge.bus.parity import check_bytes

SPLIT_S = 2.4e-3  # s of quiet: the longest after a 1, and 1.2 ms of a lost slot; judgement


def split_messages(marks: Sequence[Mark], timing_error_s: float) -> Iterator[Sequence[Mark]]:
    """The marks of each message, where more than one reads whole; else all of them.

    They are split where the quiet is longer than a slot can be lengthened to and both sides read
    as messages of their own; else it is one message with a fault.
    """
    for n in _long_gaps(marks):
        if _are_two(marks[:n], marks[n:], timing_error_s):
            yield marks[:n]
            yield from split_messages(marks[n:], timing_error_s)
            return
    yield marks


def _long_gaps(marks: Sequence[Mark]) -> Iterator[int]:
    """The numbers of the marks that come after long quiet."""
    for n, (before, after) in enumerate(pairwise(marks), start=1):
        if after.on_s - before.off_s > SPLIT_S:
            yield n


def _are_two(head: Sequence[Mark], tail: Sequence[Mark], timing_error_s: float) -> bool:
    """Whether a message may follow a message here, by their framing bytes and lengths."""
    first, second = (_read_whole(marks, timing_error_s) for marks in (head, tail))
    if not first or not second or not std.COMMAND_FIRST <= second[0] <= std.REPLY_UNKNOWN:
        return False
    if second[0] >= std.REPLY_OK:  # a reply may be a lone byte, after a command that asks for it
        reply_wanted = first[0] in (std.ASK_FIRST, std.ASK_REPEAT)
        return reply_wanted and len(first) >= std.SHORTEST_COMMAND
    is_framed = first[0] in std.FRAMINGS or first[0] in std.SINGLE_CABLE_FRAMINGS
    return is_framed and len(second) >= std.SHORTEST_COMMAND


def _read_whole(marks: Sequence[Mark], timing_error_s: float) -> list[int] | None:
    """The bytes up to the next long gap; None where a bit is over or the first one is wrong."""
    end = next(_long_gaps(marks), len(marks))
    slots = join_marks(marks[:end], [], timing_error_s)
    checked = check_bytes(read_bits(slots, timing_error_s).values if slots else [])
    known = [byte for byte in checked.byte_values if byte is not None]
    is_whole = len(known) == len(checked.byte_values) and not checked.left_over
    return known if known and is_whole and checked.parity_ok[0] else None
