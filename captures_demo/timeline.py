"""What happens on a cable, as a timeline, and the files a technician would bring of it.

Everything here is invented: rates, levels and noise are chosen to tell a story, not measured.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bridge.bus import standard as std
from bridge.bus.keying.mark import Mark
from bridge.bus.words import parse_words
from bridge.signal.waveform import Sending

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Volts = NDArray[np.float64]

COUNTS_PER_S = 7.56  # the yard's drive: 4 mm/s at 48 counts an inch
PULSE_S = 0.05  # s that a magnet holds the reed closed
TICKS = {1_000_000: "1 us", 10_000_000: "100 ns"}  # ticks a second -> VCD's words


@dataclass(slots=True)
class Cable:
    """Tone, supply and wires beside the bus over `length_s`; times in s, levels in V."""

    length_s: float
    marks: list[Mark] = field(default_factory=list)
    supply: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    wires: dict[str, list[tuple[float, int]]] = field(default_factory=dict)

    def say(
        self,
        words: str,
        at_s: float,
        *,
        carrier_hz: float = std.CARRIER_HZ,
        level_vpp: float = std.LEVEL_VPP,
    ) -> float:
        """Put a message on the cable; gives the time at which its last tone ends."""
        data = parse_words(words.split()).build()
        sending = Sending([data], carrier_hz=carrier_hz, level_vpp=level_vpp, gap_s=0.0)
        for mark in sending.marks:
            self.tone(at_s + mark.on_s, at_s + mark.off_s, carrier_hz, level_vpp)
        return self.marks[-1].off_s

    def tone(
        self,
        on_s: float,
        off_s: float,
        carrier_hz: float = std.CARRIER_HZ,
        level_vpp: float = std.LEVEL_VPP,
    ) -> float:
        self.marks.append(Mark(on_s, off_s, carrier_hz=carrier_hz, level_vpp=level_vpp))
        return off_s

    def move(self, from_s: float, counts: int) -> float:
        """Motor on and a reed pulse for each count, on wires of their own."""
        motor, reed = self.wires.setdefault("motor", []), self.wires.setdefault("reed", [])
        end_s = from_s + counts / COUNTS_PER_S
        motor += [(from_s, 1), (end_s, 0)]
        for n in range(counts):
            at_s = from_s + (n + 0.5) / COUNTS_PER_S
            reed += [(at_s, 1), (at_s + PULSE_S, 0)]
        return end_s

    def envelope(self) -> Iterator[tuple[float, int]]:
        """Edges of a tone detector: high while there is tone."""
        for mark in self.marks:
            yield mark.on_s, 1
            yield mark.off_s, 0

    def carrier(self) -> Iterator[tuple[float, int]]:
        """Edges of a comparator on the tone itself."""
        for mark in self.marks:
            half_s = 0.5 / (mark.carrier_hz or std.CARRIER_HZ)
            for n in range(round(mark.length_s / half_s) // 2 * 2):
                yield mark.on_s + n * half_s, 1 - n % 2

    def volts(self, rate_hz: int) -> Volts:
        """The voltage on the cable, tones added up over the supply."""
        at_s = np.arange(round(self.length_s * rate_hz)) / rate_hz
        times, levels = zip(*self.supply, strict=True)
        line: Volts = np.interp(at_s, times, levels)
        for mark in self.marks:
            first, last = np.searchsorted(at_s, (mark.on_s, mark.off_s))
            since_s = at_s[first:last] - mark.on_s
            wave = np.sin(2 * np.pi * (mark.carrier_hz or std.CARRIER_HZ) * since_s)
            line[first:last] += (mark.level_vpp or std.LEVEL_VPP) / 2 * wave
        return line


def noise(count: int, rms: float, seed: int) -> Volts:
    """Plain noise, the same for the same seed."""
    return np.random.default_rng(seed).normal(0.0, rms, count)


def write_vcd(path: Path, cable: Cable, *, ticks_per_s: int, envelope: bool) -> None:
    """The bus as `tone`, the other wires beside it, in one scope named for the yard."""
    tone = cable.envelope() if envelope else cable.carrier()
    wires = {"tone": list(tone), **cable.wires}
    marks = {name: chr(ord("!") + n) for n, name in enumerate(wires)}
    head = [f"$timescale {TICKS[ticks_per_s]} $end", "$scope module larkmere $end"]
    head += [f"$var wire 1 {mark} {name} $end" for name, mark in marks.items()]
    head += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    starts = {name: int(bool(edges) and edges[0] == (0.0, 1)) for name, edges in wires.items()}
    head += [f"{starts[name]}{mark}" for name, mark in marks.items()] + ["$end"]
    changes = sorted(
        (round(at_s * ticks_per_s), marks[name], level)
        for name, edges in wires.items()
        for at_s, level in edges
        if at_s > 0.0
    )
    lines, last = head, 0
    for tick, mark, level in changes:
        if tick != last:
            lines.append(f"#{tick}")
            last = tick
        lines.append(f"{level}{mark}")
    lines.append(f"#{round(cable.length_s * ticks_per_s)}")
    path.write_bytes("\n".join([*lines, ""]).encode())


def write_wav(path: Path, channels: Sequence[Volts], rate_hz: int, *, bits: int) -> None:
    """16 bit PCM or 32 bit float; values from -1 to 1."""
    kind, form, scale = (3, "<f4", 1.0) if bits == 32 else (1, "<i2", 32767.0)
    mixed = np.stack(channels, axis=1) * scale
    body = (mixed if bits == 32 else np.rint(np.clip(mixed, -scale, scale))).astype(form).tobytes()
    block = len(channels) * bits // 8
    with path.open("wb") as file:
        file.write(struct.pack("<4sI4s", b"RIFF", 36 + len(body), b"WAVE"))
        head = (16, kind, len(channels), rate_hz, rate_hz * block, block, bits)
        file.write(struct.pack("<4sIHHIIHH", b"fmt ", *head))
        file.write(struct.pack("<4sI", b"data", len(body)) + body)


def write_column(path: Path, volts: Volts, rate_hz: int) -> None:
    """One column of volts under two lines that tell rate and unit."""
    head = f"# sample_rate = {rate_hz} Hz\n# unit = V\n"
    path.write_bytes((head + "".join(f"{value:.2f}\n" for value in volts.tolist())).encode())


def write_rows(path: Path, volts: Volts, rate_hz: int) -> None:
    """Times in ms and volts, semicolons between and commas for the decimal point."""
    rows = [
        f"{n * 1e3 / rate_hz:.4f};{value:.3f}\n".replace(".", ",")
        for n, value in enumerate(volts.tolist())
    ]
    path.write_bytes(("Time (ms);Bus (V)\n" + "".join(rows)).encode())
