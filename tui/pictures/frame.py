"""The first frame of a capture as a picture: its waveform a byte a row, with bits and slots."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from bridge.bus import standard as std
from bridge.bus.event import FrameHeard
from bridge.capture.trace import UNKNOWN_LEVEL, Capture, Edges, Lines, Samples
from bridge.decode.channels import find_bus, pick_channel
from bridge.decode.trace_events import hear_trace
from bridge.errors import CaptureError
from tui.pictures.figure import new_figure, save_figure

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

ROW_INCHES = 1.35  # in, height of a byte's row; the rest is the title (judgement)
ROWS_MOST = 10  # bytes drawn; a message has six or eight at most (judgement)
TITLE_WIDTH = 120  # letters in a line of the title (judgement)
FAULTS_MOST = 3  # faults listed under the title (judgement)
AROUND_S = std.BIT_S  # s drawn before and after a byte
# s; outside it the mean slot tells nothing, and 0.5 is drawn (judgement)
SLOT_RANGE_S = (0.3e-3, 0.7e-3)
LITERAL = {"parse_math": False}  # dollar signs of a name are no formula


@dataclass(frozen=True, slots=True)
class Wave:
    """A stretch of one channel: times in s and values; steps where it is a logic line."""

    times_s: Floats
    values: Floats
    steps: bool


def draw_frames(capture: Capture, out: Path, channel: str | None = None) -> None:
    """Write the picture. Raises CaptureError where no frame has a waveform, BadInput else."""
    figure = new_figure(out)
    trace = find_bus(capture) if channel is None else pick_channel(capture, channel)
    if isinstance(trace, Lines):
        raise CaptureError(
            f"{capture.path}: hex text holds no waveform to draw; give a capture of the bus itself"
        )
    frame = first_frame(trace)
    if frame is None or frame.t_s is None or frame.duration_s is None:
        raise CaptureError(
            f"{capture.path}: no frame found to draw; name another channel with --channel"
        )
    rows = max(1, min(ROWS_MOST, -(-len(frame.bits) // std.BITS_PER_BYTE)))
    slot_s = mean_slot_s(frame.bits, frame.duration_s)
    row_s = 3 * std.BITS_PER_BYTE * slot_s
    wave = cut_wave(trace, frame.t_s - AROUND_S, frame.t_s + rows * row_s + AROUND_S)
    figure.set_size_inches(9.0, 1.6 + ROW_INCHES * rows)
    panels = figure.subplots(rows, 1, squeeze=False, sharey=True)[:, 0]
    figure.suptitle(_title(capture, trace, frame, slot_s), fontsize=9, **LITERAL)
    for n, axes in enumerate(panels):
        _draw_byte(axes, frame, n, wave, slot_s)
    unit = "V" if isinstance(trace, Samples) and trace.volts else "level"
    panels[-1].set_xlabel(f"ms since the first tone at {frame.t_s:.6f} s; upwards: {unit}")
    save_figure(figure, out)


def first_frame(trace: Samples | Edges) -> FrameHeard | None:
    """The first message on a trace, read or not; what follows is not looked at."""
    with closing(hear_trace(trace)) as events:
        return next((event for event in events if isinstance(event, FrameHeard)), None)


def mean_slot_s(bits: str, duration_s: float) -> float:
    """The slot that fits a message from its first tone to the end of its last.

    >>> round(mean_slot_s("10", 2.5e-3) * 1e3, 3)
    0.5
    """
    slots = 3 * (len(bits) - 1) + (1 if bits.endswith("1") else 2)
    slot_s = duration_s / slots if slots > 0 else std.SLOT_S
    return slot_s if SLOT_RANGE_S[0] <= slot_s <= SLOT_RANGE_S[1] else std.SLOT_S


def cut_wave(trace: Samples | Edges, from_s: float, to_s: float) -> Wave:
    """What lies between two times; a second pass, up to the second time."""
    return (
        _cut_samples(trace, from_s, to_s)
        if isinstance(trace, Samples)
        else _cut_edges(trace, from_s, to_s)
    )


def _cut_samples(trace: Samples, from_s: float, to_s: float) -> Wave:
    import numpy as np  # noqa: PLC0415  (numpy only where used)

    first = max(0, round((from_s - trace.start_s) * trace.rate_hz))
    last = round((to_s - trace.start_s) * trace.rate_hz)
    parts, at = [], 0
    for chunk in trace.chunks():
        if at + len(chunk) > first:
            parts.append(chunk[max(0, first - at) : max(0, last - at)].astype(np.float64))
        at += len(chunk)
        if at >= last:
            break
    values = np.concatenate(parts) if parts else np.zeros(0)
    times_s = trace.start_s + (first + np.arange(len(values))) / trace.rate_hz
    return Wave(times_s, values, steps=False)


def _cut_edges(trace: Edges, from_s: float, to_s: float) -> Wave:
    import numpy as np  # noqa: PLC0415

    times: list[float] = [from_s]
    levels: list[float] = [0.0]
    for chunk_s, chunk in trace.chunks():
        held = np.where(chunk == UNKNOWN_LEVEL, 0.5, chunk)
        before = int(np.searchsorted(chunk_s, from_s, side="right"))
        if before:
            levels[0] = float(held[before - 1])
        until = int(np.searchsorted(chunk_s, to_s, side="right"))
        times += chunk_s[before:until].tolist()
        levels += held[before:until].tolist()
        if until < len(chunk_s):
            break
    return Wave(np.array([*times, to_s]), np.array([*levels, levels[-1]]), steps=True)


def _title(capture: Capture, trace: Samples | Edges, frame: FrameHeard, slot_s: float) -> str:
    lines = [
        f"{Path(capture.path).name}, channel {trace.name}",
        f"{frame.hex}   {frame.meaning.sentence}" if frame.hex else frame.meaning.sentence,
        f"mean slot {slot_s * 1e3:.3f} ms"
        + ("" if frame.carrier_hz is None else f", carrier {frame.carrier_hz / 1e3:.2f} kHz"),
    ]
    lines += [f"{fault.code.replace('_', ' ')}: {fault.detail}" for fault in frame.faults]
    more = len(frame.faults) - FAULTS_MOST
    if more > 0:
        lines = [*lines[:-more], f"and {more} more faults"]
    text = "\n".join(wrapped for line in lines for wrapped in wrap(line, TITLE_WIDTH))
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def _draw_byte(axes: Any, frame: FrameHeard, n: int, wave: Wave, slot_s: float) -> None:
    """One row: bits shaded in turn, slots as thin lines, what was read above them."""
    start_s = frame.t_s or 0.0
    begin_s = start_s + 3 * std.BITS_PER_BYTE * slot_s * n
    end_s = begin_s + 3 * std.BITS_PER_BYTE * slot_s
    near = (wave.times_s >= begin_s - AROUND_S) & (wave.times_s <= end_s + AROUND_S)
    first = max(0, int(near.argmax()) - 1) if near.any() else 0  # the level a row begins with
    last = int(near.nonzero()[0][-1]) + 2 if near.any() else 0
    times_ms = (wave.times_s[first:last] - start_s) * 1e3
    style = {"drawstyle": "steps-post"} if wave.steps else {}
    axes.plot(times_ms, wave.values[first:last], color="tab:blue", linewidth=0.6, **style)
    bits = frame.bits[n * std.BITS_PER_BYTE : (n + 1) * std.BITS_PER_BYTE]
    over = axes.get_xaxis_transform()
    for k, bit in enumerate(bits):
        left_ms = (begin_s - start_s + 3 * k * slot_s) * 1e3
        parity = k == std.BITS_PER_BYTE - 1
        right_ms = left_ms + 3e3 * slot_s
        if k % 2 == 0:
            axes.axvspan(left_ms, right_ms, color="0.94", zorder=0, linewidth=0)
        for slot in range(3):
            edge = {"color": "0.4", "linewidth": 0.9} if slot == 0 else {"color": "0.75"}
            axes.axvline(left_ms + slot * slot_s * 1e3, zorder=1, **{"linewidth": 0.5, **edge})
        label = f"parity {bit}" if parity else bit
        axes.text((left_ms + right_ms) / 2, 1.02, label, ha="center", fontsize=8, transform=over)
    axes.set_xlim((begin_s - start_s - AROUND_S) * 1e3, (end_s - start_s + AROUND_S) * 1e3)
    whole = n < len(frame.byte_values)
    byte = frame.byte_values[n] if whole else None
    right = whole and frame.parity_ok[n]
    name = ("??" if byte is None else f"{byte:02X}") if whole else f"{len(bits)} bits\nleft over"
    note = "" if right or not whole else "\nlost" if byte is None else "\nparity"
    colour = "black" if right else "tab:red"
    axes.set_ylabel(name + note, rotation=0, ha="right", va="center", color=colour, fontsize=11)
    axes.tick_params(labelsize=7)
