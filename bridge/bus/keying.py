"""Stretches of tone <-> bits <-> bytes: pulse-width keying, with its timing margins and faults.

    0   |####|####|    |     1   |####|    |    |        slots of 0.5 ms, # is tone
    byte = eight bits, most significant first, then one bit of odd parity

`Keying` takes marks (stretches of tone) in time order and gives messages, bursts and continuous
tone. It neither samples nor waits: quiet is told to it by `advance`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf
from typing import Literal

from bridge.bus import standard as std
from bridge.bus.event import Burst, Event, Fault, Noise, Tone
from bridge.bus.mark import Mark, count_marks, in_ms
from bridge.bus.message import Message, frame_heard
from bridge.bus.parity import check_bytes
from bridge.bus.slots import (
    LONGEST_GAP_S,
    check_evenness,
    join_marks,
    middle_of,
    read_bits,
)

BURST_A_S = (8e-3, 16e-3)  # s, from half the burst to where only continuous tone remains
QUIET_GRAIN_S = 0.4e-3  # s, quiet is called short only when shorter by this
FEWEST_BITS = 2  # bits that make a message; a lone stretch of tone is noise
PARTING_S = 2.4e-3  # s of quiet: the longest after a 1, and 1.2 ms that no slot is lengthened by
MILD = ("short_quiet", "uneven_slots")  # faults a burst may have


Cut = Literal["no", "yes", "if unfinished"]  # whether the capture ends inside a message


def _part_messages(marks: list[Mark], grain_s: float) -> Iterator[list[Mark]]:
    """Messages that stand too close for the quiet between them to end the first.

    They are parted where the quiet is longer than a slot can be lengthened to and both sides
    read as messages of their own; else it is one message with a fault.
    """
    for n, (before, after) in enumerate(pairwise(marks), start=1):
        if after.on_s - before.off_s > PARTING_S and _are_two(marks[:n], marks[n:], grain_s):
            yield marks[:n]
            yield from _part_messages(marks[n:], grain_s)
            return
    yield marks


def _are_two(head: list[Mark], tail: list[Mark], grain_s: float) -> bool:
    first, second = (_read_whole(marks, grain_s) for marks in (head, tail))
    if not first or not second or not std.COMMAND_FIRST <= second[0] <= std.REPLY_UNKNOWN:
        return False
    if second[0] >= std.REPLY_OK:  # a reply may be a lone byte, after a command that asks for it
        asked = first[0] in (std.ASK_FIRST, std.ASK_REPEAT)
        return asked and len(first) >= std.SHORTEST_COMMAND
    framed = first[0] in std.FRAMINGS or first[0] in std.SINGLE_CABLE_FRAMINGS
    return framed and len(second) >= std.SHORTEST_COMMAND


def _read_whole(marks: list[Mark], grain_s: float) -> list[int] | None:
    """The bytes up to the next such quiet; None where a bit is over or the first one wrong."""
    ends = (n for n, (a, b) in enumerate(pairwise(marks), 1) if b.on_s - a.off_s > PARTING_S)
    merged = list(join_marks(marks[: next(ends, len(marks))], [], grain_s))
    bits = read_bits(merged, [], grain_s)[0] if merged else []
    checked = check_bytes(bits)
    known = [byte for byte in checked.byte_values if byte is not None]
    is_read = known and checked.parity_ok[0] and len(known) == len(checked.byte_values)
    return known if is_read and not checked.left_over else None


@dataclass(slots=True)
class Keying:
    """Marks in time order -> messages, bursts and tone; `grain_s` is how finely marks are timed.

    `push` takes a mark, `advance` tells that there was no tone up to a time, `hold` that a tone
    is still on, `finish` that the capture ends. Each gives what became clear by it.
    """

    grain_s: float = 0.03e-3
    start_s: float | None = None  # first moment of the capture: quiet before it is not known
    _marks: list[Mark] = field(default_factory=list)
    _last_off_s: float | None = None
    _held_s: float | None = None

    @property
    def since_s(self) -> float | None:
        """Start of the message at hand."""
        return self._marks[0].on_s if self._marks else None

    @property
    def free_from_s(self) -> float:
        """Time from which a message stands alone: after quiet, and not cut off at the start."""
        if self._marks or self._held_s is not None:
            return inf
        begin_s = -inf if self.start_s is None else self.start_s + self.grain_s
        return begin_s if self._last_off_s is None else max(begin_s, self._last_off_s + std.QUIET_S)

    def pass_over(self, off_s: float) -> None:
        """Know of a message read elsewhere, by when its last tone ended."""
        self._last_off_s = off_s

    def push(self, mark: Mark) -> Iterator[Event]:
        if self._held_s is not None:
            if self._held_s == mark.on_s:
                yield Tone(mark.off_s, on=False)
                self._last_off_s = mark.off_s
                self._held_s = None
                return
            self._held_s = None
        yield from self.advance(mark.on_s)
        if mark.length_s >= BURST_A_S[0]:
            yield from self._flush()
            if mark.length_s <= BURST_A_S[1]:
                yield Burst(mark.on_s, "A")
            else:
                yield Tone(mark.on_s, on=True)
                yield Tone(mark.off_s, on=False)
            self._last_off_s = mark.off_s
            return
        self._marks.append(mark)

    def advance(self, to_s: float) -> Iterator[Event]:
        if self._marks and to_s - self._marks[-1].off_s > std.END_OF_MESSAGE_S:
            yield from self._flush()

    def hold(self, on_s: float, now_s: float) -> Iterator[Event]:
        yield from self.advance(on_s)
        if self._held_s is None and now_s - on_s > BURST_A_S[1]:
            yield from self._flush()
            yield Tone(on_s, on=True)
            self._held_s = on_s

    def finish(self, end_s: float | None = None, *, of_changes: bool = False) -> Iterator[Event]:
        """The rest, where the capture ends at `end_s`.

        `of_changes` tells that this is but the last change written, and no tone is known to be on.
        """
        cut = bool(
            end_s is not None
            and self._marks
            and end_s - self._marks[-1].off_s < LONGEST_GAP_S - self._marks[-1].length_s / 2
        )
        yield from self._flush("if unfinished" if cut and of_changes else "yes" if cut else "no")

    def _flush(self, cut: Cut = "no") -> Iterator[Event]:
        if not self._marks:
            return
        marks, self._marks = self._marks, []
        messages = list(_part_messages(marks, self.grain_s))
        for n, own in enumerate(messages):
            after_s = messages[n + 1][0].on_s - own[-1].off_s if n + 1 < len(messages) else None
            yield from self._key(own, n > 0, after_s, cut if after_s is None else "no")

    def _key(
        self, marks: list[Mark], parted: bool, after_s: float | None, cut: Cut
    ) -> Iterator[Event]:
        """What these marks make, `parted` from a message before them, and from one `after_s` on."""
        previous_s, self._last_off_s = self._last_off_s, marks[-1].off_s
        quiet_s = None if previous_s is None else marks[0].on_s - previous_s
        faults: list[Fault] = []
        if quiet_s is not None and quiet_s < std.QUIET_S - QUIET_GRAIN_S:
            asked = "6 ms end a message, 15 ms asked for" if parted else "15 ms asked for"
            faults.append(Fault("short_quiet", f"{in_ms(quiet_s)} of quiet before it, {asked}"))
        if after_s is not None:
            what = f"{in_ms(after_s)} of quiet after it, 6 ms end a message"
            faults.append(Fault("short_quiet", what))
        if self.start_s is not None and marks[0].on_s - self.start_s < self.grain_s:
            faults.append(Fault("cut_off", "the capture begins inside it"))
        faults += [fault for mark in marks for fault in mark.faults]
        merged = list(join_marks(marks, faults, self.grain_s))
        if not merged:
            what = f"{count_marks(marks)}, each too short for a bit"
            yield _noise(marks, what)
            return
        bits, margins = read_bits(merged, faults, self.grain_s)
        check_evenness(merged, faults, self.grain_s)
        if cut == "yes" or (cut == "if unfinished" and not check_bytes(bits).is_whole):
            faults.append(Fault("cut_off", "the capture ends inside it"))
        if bits == [1] * std.BITS_PER_BYTE and all(f.code in MILD for f in faults):
            yield Burst(merged[0].on_s, "B")
        elif len(bits) < FEWEST_BITS or all(bit is None for bit in bits):
            what = (
                f"{count_marks(merged)} of {in_ms(max(mark.length_s for mark in merged))} at most"
            )
            why = "; ".join(fault.detail for mark in marks for fault in mark.faults)
            yield _noise(merged, why or f"{what}; no bits in it")
        else:
            yield frame_heard(
                Message(
                    start_s=merged[0].on_s,
                    end_s=merged[-1].off_s,
                    bits=tuple(bits),
                    margins=tuple(margins),
                    faults=tuple(faults),
                    carrier_hz=middle_of(mark.carrier_hz for mark in merged),
                    level_vpp=middle_of(mark.level_vpp for mark in merged),
                    level_span=merged[0].level_span,
                )
            )


def _noise(marks: list[Mark], detail: str) -> Noise:
    return Noise(marks[0].on_s, marks[-1].off_s - marks[0].on_s, detail)
