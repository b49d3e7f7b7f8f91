"""WAV files: integer and float samples of any width, one trace a channel.

Eight bits and fewer are unsigned with silence at 128, wider ones signed (as scipy.io.wavfile
reads them).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from bridge.capture.source import Source
from bridge.capture.trace import Capture, Samples
from bridge.capture.wav_chunks import UNBOUNDED, Layout, read_header

if TYPE_CHECKING:
    from bridge.capture.trace import FloatBlock, RawBlock


def read_wav(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read the header; samples are read by passes. `rate_hz` replaces the header's."""
    with source.open() as file:
        layout, notes = read_header(source, file)
    if rate_hz is not None and rate_hz != layout.rate_hz:
        header = f"{layout.rate_hz:,.0f} samples a second"
        notes.append(
            f"{source.name}: says {header}; read at {rate_hz:,.0f} instead, as --rate asks"
        )
    names = {1: ["mono"], 2: ["left", "right"]}.get(
        layout.channels, [f"channel {n + 1}" for n in range(layout.channels)]
    )
    bits = 8 * layout.width
    traces = tuple(
        Samples(
            name=name,
            rate_hz=rate_hz or layout.rate_hz,
            start_s=0.0,
            volts=False,
            chunks=partial(_scaled, source, layout, channel, block),
            raw_chunks=partial(_raw, source, layout, channel, block),
            raw_scale=1.0 if layout.is_float else 2.0 ** (1 - (32 if bits == 24 else bits)),
            raw_offset=-128.0 if layout.width == 1 else 0.0,
        )
        for channel, name in enumerate(names)
    )
    return Capture(source.name, traces, tuple(notes))


def _raw(source: Source, layout: Layout, channel: int, block: int) -> Iterator[RawBlock]:
    frame = layout.width * layout.channels
    step = max(block // frame, 1) * frame
    left = layout.data_bytes
    kind = "<f" if layout.is_float else "u" if layout.width == 1 else "<i"
    rest = b""  # a part of a sample, where a pipe has given no more
    for part in source.blocks(step, layout.data_start):
        content = rest + part if rest else part
        whole = min(len(content), left) // frame * frame
        rest = content[whole:]
        left -= whole
        if whole and layout.width == 3:
            packed = np.frombuffer(content, np.uint8, whole).reshape(-1, layout.channels, 3)
            wide = np.zeros((len(packed), 4), np.uint8)
            wide[:, 1:] = packed[:, channel]
            yield wide.view("<i4")[:, 0]
        elif whole:
            values = np.frombuffer(content, f"{kind}{layout.width}", whole // layout.width)
            yield values.reshape(-1, layout.channels)[:, channel]
        if not left:
            return
    if source.size is None and left < UNBOUNDED // 2:
        stated = layout.data_bytes
        note = (
            f"{source.name}: byte {layout.data_start - 4}: the data chunk says {stated:,} bytes,"
            f" the file holds {stated - left:,}; read to the end of the file"
        )
        if note not in source.notes:
            source.notes.append(note)


def _scaled(source: Source, layout: Layout, channel: int, block: int) -> Iterator[FloatBlock]:
    bits = 32 if layout.width == 3 else 8 * layout.width
    for raw in _raw(source, layout, channel, block):
        values = raw.astype(np.float32)
        if not layout.is_float:
            if layout.width == 1:
                values -= np.float32(128)
            values *= np.float32(2.0 ** (1 - bits))
        yield values
