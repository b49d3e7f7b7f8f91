"""Stretches of tone <-> bits <-> bytes: pulse-width keying, with its timing margins and faults.

    0   |####|####|    |     1   |####|    |    |        slots of 0.5 ms, # is tone
    byte = eight bits, most significant first, then one bit of odd parity

`Keying` takes marks (stretches of tone) in time order and gives messages, bursts and continuous
tone. It neither samples nor waits: quiet is told to it by `advance`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from statistics import median

from bridge.bus import standard as std
from bridge.bus.event import Burst, Fault, Tone

SHORTEST_S = 0.35e-3  # s, shorter tone or quiet is a stray pulse or a notch; slots are 0.4 at least
LONGEST_BIT_S = 1.4e-3  # s of tone: 1.2 allowed for a 0, and room to measure
LONGEST_GAP_S = 1.4e-3  # s of quiet: 1.2 allowed after a 1, and room to measure
BURST_A_S = (8e-3, 16e-3)  # s, from half the burst to where only continuous tone remains
QUIET_GRAIN_S = 0.4e-3  # s, quiet is called short only when shorter by this
FEWEST_BITS = 2  # bits that make a message; a lone stretch of tone is noise
CARRIER_GRAIN = 0.005  # of the carrier, and
LEVEL_GRAIN = 0.08  # of the level: how finely either is measured before it is called off
MILD = ("short_quiet", "uneven_slots", "carrier_off", "level_off")  # faults a burst may have
UNEVEN = 2.6  # times the median deviation; evenly spread slots reach twice the median
FEWEST_SPANS = 12  # of tone and quiet that tell what is usual in a message
DOUBT_NATS = 3.0  # bits decided with a likelihood ratio below e**3 are called unclear


@dataclass(frozen=True, slots=True)
class Mark:
    """A stretch of tone from `on_s` to `off_s`.

    A receiver that decided the bit itself says so in `bit`, and in `margin` how clearly, as the
    logarithm of the likelihood ratio. `carrier_hz` and `level_vpp` are None where not measured.
    """

    on_s: float
    off_s: float
    bit: int | None = None
    margin: float = inf
    carrier_hz: float | None = None
    level_vpp: float | None = None

    @property
    def length_s(self) -> float:
        return self.off_s - self.on_s


@dataclass(frozen=True, slots=True)
class Message:
    """Bits between two times of quiet; a bit that was lost is None.

    `margins` tell how clearly each bit was decided. `quiet_s` is the quiet before it, None
    where the capture does not tell.
    """

    start_s: float
    end_s: float
    bits: tuple[int | None, ...]
    margins: tuple[float, ...]
    faults: tuple[Fault, ...]
    quiet_s: float | None
    carrier_hz: float | None = None
    level_vpp: float | None = None


@dataclass(frozen=True, slots=True)
class Scrap:
    """Tone that makes no message."""

    start_s: float
    end_s: float
    detail: str


Keyed = Message | Scrap | Burst | Tone


def parity_bit(octet: int) -> int:
    """The odd parity bit: with it the count of ones is odd.

    >>> [parity_bit(octet) for octet in (0x00, 0x01, 0x55, 0x7F, 0x80, 0xE0, 0xFF)]
    [1, 0, 1, 0, 0, 0, 1]
    """
    return 1 - octet.bit_count() % 2


def bits_of(octets: bytes) -> list[int]:
    """The bits on the line, parity bits among them."""
    return [
        bit
        for octet in octets
        for bit in (*((octet >> n) & 1 for n in range(7, -1, -1)), parity_bit(octet))
    ]


def octets_of(
    bits: Sequence[int | None],
) -> tuple[tuple[int | None, ...], tuple[bool, ...], tuple[int | None, ...]]:
    """(octets, parity right, left-over bits); an octet with a lost bit is None and not right."""
    octets: list[int | None] = []
    right: list[bool] = []
    whole = len(bits) - len(bits) % std.BITS_PER_BYTE
    for start in range(0, whole, std.BITS_PER_BYTE):
        group = bits[start : start + std.BITS_PER_BYTE]
        known = [bit for bit in group if bit is not None]
        if len(known) < std.BITS_PER_BYTE:
            octets.append(None)
            right.append(False)
            continue
        octets.append(sum(bit << (7 - n) for n, bit in enumerate(known[:8])))
        right.append(sum(known) % 2 == 1)
    return tuple(octets), tuple(right), tuple(bits[whole:])


def marks_of(octets: bytes, start_s: float = 0.0, slot_s: float = std.SLOT_S) -> list[Mark]:
    """The stretches of tone that send these octets.

    >>> [round(mark.length_s * 1e3, 3) for mark in marks_of(b"\\xe0")]
    [0.5, 0.5, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    """
    marks = []
    for n, bit in enumerate(bits_of(octets)):
        on_s = start_s + 3 * n * slot_s
        marks.append(Mark(on_s, on_s + (1 if bit else 2) * slot_s))
    return marks


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

    def push(self, mark: Mark) -> Iterator[Keyed]:
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

    def advance(self, to_s: float) -> Iterator[Keyed]:
        if self._marks and to_s - self._marks[-1].off_s > std.END_OF_MESSAGE_S:
            yield from self._flush()

    def hold(self, on_s: float, now_s: float) -> Iterator[Keyed]:
        yield from self.advance(on_s)
        if self._held_s is None and now_s - on_s > BURST_A_S[1]:
            yield from self._flush()
            yield Tone(on_s, on=True)
            self._held_s = on_s

    def finish(self, end_s: float | None = None) -> Iterator[Keyed]:
        cut = bool(
            end_s is not None
            and self._marks
            and end_s - self._marks[-1].off_s < LONGEST_GAP_S - self._marks[-1].length_s / 2
        )
        yield from self._flush(cut=cut)

    def _flush(self, cut: bool = False) -> Iterator[Keyed]:
        if not self._marks:
            return
        marks, self._marks = self._marks, []
        previous_s, self._last_off_s = self._last_off_s, marks[-1].off_s
        quiet_s = None if previous_s is None else marks[0].on_s - previous_s
        faults: list[Fault] = []
        if quiet_s is not None and quiet_s < std.QUIET_S - QUIET_GRAIN_S:
            faults.append(
                Fault("short_quiet", f"{_ms(quiet_s)} of quiet before it, 15 ms asked for")
            )
        if self.start_s is not None and marks[0].on_s - self.start_s < self.grain_s:
            faults.append(Fault("cut_off", "the capture begins inside it"))
        merged = list(_join(marks, faults))
        if not merged:
            what = f"{_count(marks)}, each too short for a bit"
            yield Scrap(marks[0].on_s, marks[-1].off_s, what)
            return
        bits, margins = _read_bits(merged, faults, self.grain_s)
        _check_evenness(merged, faults, self.grain_s)
        if cut:
            faults.append(Fault("cut_off", "the capture ends inside it"))
        start_s, end_s = merged[0].on_s, merged[-1].off_s
        if bits == [1] * std.BITS_PER_BYTE and all(f.code in MILD for f in faults):
            yield Burst(start_s, "B")
        elif len(bits) < FEWEST_BITS or all(bit is None for bit in bits):
            what = f"{_count(merged)} of {_ms(max(mark.length_s for mark in merged))} at most"
            yield Scrap(start_s, end_s, f"{what}; no bits in it")
        else:
            carrier_hz = _middle(mark.carrier_hz for mark in merged)
            level_vpp = _middle(mark.level_vpp for mark in merged)
            _check_tone(carrier_hz, level_vpp, faults)
            yield Message(
                start_s,
                end_s,
                tuple(bits),
                tuple(margins),
                tuple(faults),
                quiet_s,
                carrier_hz,
                level_vpp,
            )


def _ms(time_s: float) -> str:
    return f"{time_s * 1e3:.2f} ms"


def _middle(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return median(known) if known else None


def _check_tone(carrier_hz: float | None, level_vpp: float | None, faults: list[Fault]) -> None:
    if carrier_hz is not None:
        off = carrier_hz / std.CARRIER_HZ - 1
        if abs(off) > std.CARRIER_TOLERANCE + CARRIER_GRAIN:
            what = f"carrier {carrier_hz / 1e3:.2f} kHz, 17.6 to 26.4 kHz allowed"
            faults.append(Fault("carrier_off", what))
    if level_vpp is not None:
        off_vpp = abs(level_vpp - std.LEVEL_VPP)
        if off_vpp > std.LEVEL_TOLERANCE_VPP + LEVEL_GRAIN * level_vpp:
            what = f"{level_vpp * 1e3:.0f} mV peak to peak, 400 to 900 mV allowed"
            faults.append(Fault("level_off", what))


def _count(marks: Sequence[Mark]) -> str:
    return f"{len(marks)} stretch{'es' if len(marks) != 1 else ''} of tone"


def _join(marks: Iterable[Mark], faults: list[Fault]) -> Iterator[Mark]:
    """Close notches and drop stray pulses, telling of each in `faults`."""
    marks = list(marks)
    origin_s = marks[0].on_s
    joined = [marks[0]]
    for mark in marks[1:]:
        last = joined[-1]
        hole_s = mark.on_s - last.off_s
        if hole_s < SHORTEST_S:
            at = _ms(last.off_s - origin_s)
            faults.append(Fault("notch", f"no tone for {_ms(hole_s)} at {at} inside a tone"))
            bit = last.bit if last.bit is not None else mark.bit
            joined[-1] = replace(
                last, off_s=mark.off_s, bit=bit, margin=min(last.margin, mark.margin)
            )
        else:
            joined.append(mark)
    for mark in joined:
        if mark.length_s >= SHORTEST_S or mark.bit is not None:
            yield mark
        else:
            at = _ms(mark.on_s - origin_s)
            faults.append(Fault("pulse", f"a pulse of {_ms(mark.length_s)} at {at}"))


def _read_bits(
    marks: Sequence[Mark], faults: list[Fault], grain_s: float
) -> tuple[list[int | None], list[float]]:
    """Bits of marks and how clearly each was decided; timing faults go to `faults`."""
    bits: list[int | None] = []
    margins: list[float] = []
    origin_s = marks[0].on_s
    for n, mark in enumerate(marks):
        gap_s = marks[n + 1].on_s - mark.off_s if n + 1 < len(marks) else None
        where = f"bit {len(bits) + 1} at {_ms(mark.on_s - origin_s)}"
        if mark.length_s > LONGEST_BIT_S and mark.bit is None:
            lost = max(1, round(mark.length_s / std.BIT_S))
            faults.append(
                Fault("long_tone", f"{where}: tone for {_ms(mark.length_s)}, 1.2 ms allowed")
            )
            bits += [None] * lost
            margins += [0.0] * lost
            continue
        bit = mark.bit if mark.bit is not None else _decide(mark.length_s, gap_s)
        bits.append(bit)
        margins.append(mark.margin)
        if mark.margin < DOUBT_NATS:
            faults.append(Fault("unclear", f"{where}: likelihood ratio e**{mark.margin:.1f}"))
        _check_slots(
            "tone", mark.length_s, 1 if bit else 2, where=where, faults=faults, grain_s=grain_s
        )
        if gap_s is None:
            continue
        quiet_slots = 2 if bit else 1
        if gap_s <= LONGEST_GAP_S:
            _check_slots("quiet", gap_s, quiet_slots, where=where, faults=faults, grain_s=grain_s)
            continue
        extra_s = gap_s - quiet_slots * std.SLOT_S
        lost = round(extra_s / std.BIT_S)
        between = len(bits) % std.BITS_PER_BYTE == 0
        if lost and not between:
            faults.append(
                Fault("missing_bits", f"{where}: quiet for {_ms(gap_s)}, about {lost} lost")
            )
            bits += [None] * lost
            margins += [0.0] * lost
        else:
            faults.append(Fault("slot_timing", f"{where}: quiet for {_ms(gap_s)}, 1.2 ms allowed"))
    return bits, margins


def _check_evenness(marks: Sequence[Mark], faults: list[Fault], grain_s: float) -> None:
    """Tell of tone or quiet that stands out from the slots of its own message.

    A sender keeps its slots nearly alike; one that is off, though allowed, was touched on the way.
    """
    spans: list[tuple[float, str, float]] = []
    for n, mark in enumerate(marks):
        spans.append((mark.length_s, "tone", mark.on_s))
        if n + 1 < len(marks):
            spans.append((marks[n + 1].on_s - mark.off_s, "quiet", mark.off_s))
    spans = [span for span in spans if span[0] <= LONGEST_GAP_S]
    if len(spans) < FEWEST_SPANS:
        return
    singles = [span[0] for span in spans if span[0] < 1.4 * std.SLOT_S]
    doubles = [span[0] / 2 for span in spans if span[0] >= 1.4 * std.SLOT_S]
    slot_s = median(singles + doubles)
    usual_s = median(abs(length - slot_s) for length in singles + doubles)
    for length_s, what, at_s in spans:
        slots = 1 if length_s < 1.4 * std.SLOT_S else 2
        if abs(length_s - slots * slot_s) > slots * UNEVEN * usual_s + 2 * grain_s:
            at = f"{_ms(at_s - marks[0].on_s)}: {what} for {_ms(length_s)}"
            usual = f"{slot_s * 1e3:.3f} +-{2 * usual_s * 1e3:.3f} ms a slot elsewhere in it"
            faults.append(Fault("uneven_slots", f"at {at}, {usual}"))


def _decide(tone_s: float, gap_s: float | None) -> int:
    """Weigh the tone against the quiet after it: a 0 has twice the tone, a 1 twice the quiet."""
    if gap_s is None or gap_s > LONGEST_GAP_S:
        return int(tone_s < 1.4 * std.SLOT_S)
    return int(tone_s < gap_s)


def _check_slots(
    what: str, length_s: float, slots: int, *, where: str, faults: list[Fault], grain_s: float
) -> None:
    low_s = slots * (std.SLOT_S - std.SLOT_TOLERANCE_S)
    high_s = slots * (std.SLOT_S + std.SLOT_TOLERANCE_S)
    if not low_s - grain_s <= length_s <= high_s + grain_s:
        allowed = f"{low_s * 1e3:.1f} to {high_s * 1e3:.1f} ms allowed"
        faults.append(Fault("slot_timing", f"{where}: {what} for {_ms(length_s)}, {allowed}"))
