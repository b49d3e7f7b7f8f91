"""Pulse-width keying, mark by mark: marks in time order -> messages, bursts and continuous tone.

    0   |####|####|    |     1   |####|    |    |        slots of 0.5 ms, # is tone
    byte = eight bits, most significant first, then one bit of odd parity

`Keying` neither samples nor waits: `advance` and `hold` tell it how far the line is known.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum
from math import inf
from statistics import median

from bridge.bus import standard as std
from bridge.bus.event import Burst, Event, Fault, Noise, Tone
from bridge.bus.keying.close_messages import split_messages
from bridge.bus.keying.evenness import check_evenness
from bridge.bus.keying.mark import Mark, count_marks, in_ms
from bridge.bus.keying.slots import LONGEST_GAP_S, join_marks, read_bits
from bridge.bus.message import Message, frame_heard
from bridge.bus.parity import check_bytes

BURST_A_S = (8e-3, 16e-3)  # s, shortest and longest tone that is burst A of 12.5 ms; judgement
QUIET_ERROR_S = 0.4e-3  # s by which quiet may be short before it is a fault; judgement
FEWEST_BITS = 2  # bits that make a message; a lone stretch of tone is noise; judgement
BURST_FAULTS = ("short_quiet", "uneven_slots")  # that burst B may have; judgement


class Cut(Enum):
    """Whether the capture ends inside a message."""

    NO = "it does not"
    YES = "it does"
    IF_UNFINISHED = "it does if the message has no whole bytes"


@dataclass(slots=True)
class Keying:
    """Marks in time order -> messages, bursts and continuous tone.

    Their edges are timed to within `timing_error_s`. `start_s` is the first moment of the
    capture, None where it does not matter: what begins there may be cut off.
    """

    timing_error_s: float = 0.03e-3
    start_s: float | None = None
    _marks: list[Mark] = field(default_factory=list)  # of the message that may go on
    _last_off_s: float | None = None  # end of the latest tone before it
    _tone_since_s: float | None = None  # start of the continuous tone that is on

    @property
    def since_s(self) -> float | None:
        """Start of the message that may go on."""
        return self._marks[0].on_s if self._marks else None

    @property
    def alone_from_s(self) -> float:
        """Time from which a message stands alone: after quiet, and not cut off at the start."""
        if self._marks or self._tone_since_s is not None:
            return inf
        begin_s = -inf if self.start_s is None else self.start_s + self.timing_error_s
        return begin_s if self._last_off_s is None else max(begin_s, self._last_off_s + std.QUIET_S)

    def pass_over(self, off_s: float) -> None:
        """Take note of a message that was read elsewhere, by the end of its last tone."""
        self._last_off_s = off_s

    def push(self, mark: Mark) -> Iterator[Event]:
        """The events that became certain by a mark."""
        if self._tone_since_s is not None:
            since_s, self._tone_since_s = self._tone_since_s, None
            if since_s == mark.on_s:
                yield Tone(mark.off_s, on=False)
                self._last_off_s = mark.off_s
                return
        yield from self.advance(mark.on_s)
        shortest_s, longest_s = BURST_A_S
        if mark.length_s < shortest_s:
            self._marks.append(mark)
            return
        yield from self._flush()
        if mark.length_s <= longest_s:
            yield Burst(mark.on_s, "A")
        else:
            yield Tone(mark.on_s, on=True)
            yield Tone(mark.off_s, on=False)
        self._last_off_s = mark.off_s

    def advance(self, to_s: float) -> Iterator[Event]:
        """The events that became certain as there is no tone up to a time."""
        if self._marks and to_s - self._marks[-1].off_s > std.END_OF_MESSAGE_S:
            yield from self._flush()

    def hold(self, on_s: float, now_s: float) -> Iterator[Event]:
        """The events that became certain as a tone is on since `on_s`, up to now."""
        yield from self.advance(on_s)
        if self._tone_since_s is None and now_s - on_s > BURST_A_S[1]:
            yield from self._flush()
            yield Tone(on_s, on=True)
            self._tone_since_s = on_s

    def finish(self, end_s: float | None = None, *, at_last_edge: bool = False) -> Iterator[Event]:
        """The events still held back, where the capture ends at `end_s`.

        With `at_last_edge` that is but the last change written, and no tone is known to be on.
        """
        is_cut = (
            end_s is not None
            and self._marks
            and end_s - self._marks[-1].off_s < LONGEST_GAP_S - self._marks[-1].length_s / 2
        )
        cut = Cut.IF_UNFINISHED if at_last_edge else Cut.YES
        yield from self._flush(cut if is_cut else Cut.NO)

    def _flush(self, cut: Cut = Cut.NO) -> Iterator[Event]:
        """The events of the marks at hand, which are at an end."""
        if not self._marks:
            return
        marks, self._marks = self._marks, []
        messages = list(split_messages(marks, self.timing_error_s))
        for n, message in enumerate(messages):
            faults = self._quiet_before(message[0].on_s, is_split=n > 0)
            if n + 1 < len(messages):
                gap_s = messages[n + 1][0].on_s - message[-1].off_s
                what = f"{in_ms(gap_s)} of quiet after it, 6 ms end a message"
                faults.append(Fault("short_quiet", what))
            if self.start_s is not None and message[0].on_s - self.start_s < self.timing_error_s:
                faults.append(Fault("cut_off", "the capture begins inside it"))
            is_last = n + 1 == len(messages)
            self._last_off_s = message[-1].off_s
            yield self._read(message, faults, cut if is_last else Cut.NO)

    def _quiet_before(self, on_s: float, *, is_split: bool) -> list[Fault]:
        """A fault where the quiet before a message is short; `is_split` from another message."""
        if self._last_off_s is None:
            return []
        quiet_s = on_s - self._last_off_s
        if quiet_s >= std.QUIET_S - QUIET_ERROR_S:
            return []
        wanted = "6 ms end a message, 15 ms asked for" if is_split else "15 ms asked for"
        return [Fault("short_quiet", f"{in_ms(quiet_s)} of quiet before it, {wanted}")]

    def _read(self, marks: Sequence[Mark], faults: list[Fault], cut: Cut) -> Event:
        """What these marks make: a message, burst B, or noise."""
        mark_faults = [fault for mark in marks for fault in mark.faults]
        faults += mark_faults
        slots = join_marks(marks, faults, self.timing_error_s)
        if not slots:
            return _noise(marks, f"{count_marks(marks)}, each too short for a bit")
        bits = read_bits(slots, self.timing_error_s)
        faults += bits.faults
        check_evenness(slots, faults, self.timing_error_s)
        is_unfinished = cut is Cut.IF_UNFINISHED and not check_bytes(bits.values).is_whole
        if cut is Cut.YES or is_unfinished:
            faults.append(Fault("cut_off", "the capture ends inside it"))
        all_ones = bits.values == [1] * std.BITS_PER_BYTE
        if all_ones and all(fault.code in BURST_FAULTS for fault in faults):
            return Burst(slots[0].on_s, "B")
        if len(bits.values) < FEWEST_BITS or all(bit is None for bit in bits.values):
            longest = in_ms(max(mark.length_s for mark in slots))
            what = f"{count_marks(slots)} of {longest} at most; no bits in it"
            return _noise(slots, "; ".join(fault.detail for fault in mark_faults) or what)
        return frame_heard(
            Message(
                start_s=slots[0].on_s,
                end_s=slots[-1].off_s,
                bits=tuple(bits.values),
                margins=tuple(bits.margins),
                faults=tuple(faults),
                carrier_hz=_median_known(mark.carrier_hz for mark in slots),
                level_vpp=_median_known(mark.level_vpp for mark in slots),
                level_span=slots[0].level_span,
            )
        )


def _noise(marks: Sequence[Mark], detail: str) -> Noise:
    return Noise(marks[0].on_s, marks[-1].off_s - marks[0].on_s, detail)


def _median_known(values: Iterable[float | None]) -> float | None:
    """The median of those that were measured; None for none."""
    known = [value for value in values if value is not None]
    return median(known) if known else None
