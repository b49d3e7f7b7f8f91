"""The chunks of a WAV file: where the samples lie, and of what kind they are.

    "RIFF" size "WAVE"  { id size bytes [pad] } ...     size little-endian, 32 bit
    "RF64" FFFFFFFF "WAVE" "ds64" ... the same with 64 bit sizes

fmt: tag (1 integer, 3 float, FFFE extensible: the tag is in its GUID), channels, rate, bytes a
second, bytes a sample of all channels, bits (Microsoft mmreg.h).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from typing import BinaryIO

from bridge.capture.source import Source
from bridge.errors import CaptureError

TAG_INTEGER, TAG_FLOAT, TAG_EXTENSIBLE = 1, 3, 0xFFFE  # mmreg.h
GUID_TAIL = bytes.fromhex("0000 0000 1000 8000 00AA00389B71")  # after the tag; mmreg.h
SIZE_UNKNOWN = 0xFFFFFFFF  # size of a chunk still being written, or given in ds64 (EBU 3306)
SIZE_WRAP = 1 << 32  # bytes after which a size of 32 bits starts again at 0
UNBOUNDED = 1 << 62  # bytes; the samples go on to the end of a pipe (judgement)
CHANNELS_MOST = 256  # channels; more come from a damaged header (judgement)
FORMAT_BYTES = 40  # bytes of an extensible fmt chunk; plain ones have 16 or 18 (mmreg.h)
# ids of chunks that follow odd ones, padded or not (common practice)
KNOWN_IDS = frozenset(
    b"fmt |data|LIST|fact|bext|JUNK|junk|id3 |ID3 |cue |smpl|iXML|PEAK|PAD |ds64|inst|afsp".split(
        b"|"
    )
)


@dataclass(frozen=True, slots=True)
class Layout:
    """How samples lie in the data chunk."""

    is_float: bool
    channels: int
    rate_hz: float
    width: int  # bytes of one sample of one channel
    data_start: int = 0  # byte offset of the first sample
    data_bytes: int = 0  # whole frames only; UNBOUNDED where only the end of the file tells


def read_header(source: Source, file: BinaryIO) -> tuple[Layout, list[str]]:
    """Find the fmt and the data chunk; also notes on what the header has wrong.

    Raises CaptureError with the byte offset where the header makes no sense.
    """
    head = source.read(file, 12)
    if head[:4] == b"RIFX":
        raise CaptureError(f"{source.name}: byte 0: big-endian RIFX; write it as a plain WAV file")
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        raise CaptureError(
            f"{source.name}: byte 0: no RIFF and WAVE marks within the first {len(head)} bytes;"
            " this is no WAV file, or it was cut short"
        )
    size = UNBOUNDED if source.size is None else source.size
    long_size: int | None = None
    layout: Layout | None = None
    data: tuple[int, int] | None = None
    position = 12
    while position + 8 <= size:
        source.seek(file, position)
        mark = source.read(file, 8)
        if len(mark) < 8:
            size = position + len(mark)
            break
        name, length = struct.unpack("<4sI", mark)
        start = position + 8
        if name == b"ds64":
            body = source.read(file, 24)
            if len(body) >= 16:
                long_size = struct.unpack_from("<Q", body, 8)[0]
        elif name == b"fmt ":
            layout = _read_format(source, start, source.read(file, min(length, FORMAT_BYTES)))
        elif name == b"data" and data is None:
            data = (start, long_size if length == SIZE_UNKNOWN and long_size else length)
            length = data[1]
            if layout is not None:
                break
        position = _find_next(source, file, start + length, size)
    if layout is None:
        raise CaptureError(
            f"{source.name}: byte {min(position, size)}: the file ends without a fmt chunk;"
            " record or copy it again"
        )
    if data is None:
        raise CaptureError(
            f"{source.name}: byte {min(position, size)}: the file ends without a data chunk;"
            " record or copy it again"
        )
    return _fit_data(source, layout, data, size)


def _fit_data(
    source: Source, layout: Layout, data: tuple[int, int], size: int
) -> tuple[Layout, list[str]]:
    start, stated = data
    held = max(size - start, 0)
    frame = layout.width * layout.channels
    notes = []
    size = min(stated, held)
    if source.size is None:
        size = stated if stated not in (0, SIZE_UNKNOWN) else UNBOUNDED
    elif stated == SIZE_UNKNOWN or (stated < held and (held - stated) % SIZE_WRAP == 0):
        size = held  # written as a stream, or longer than its size field can tell
    elif stated > held or (stated == 0 and held >= frame):
        size = held
        notes.append(
            f"{source.name}: byte {start - 4}: the data chunk says {stated:,} bytes, the file"
            f" holds {held:,}; read to the end of the file"
        )
    elif size % frame:
        notes.append(
            f"{source.name}: byte {start + size // frame * frame}: the last sample is not"
            f" whole ({size % frame} of {frame} bytes); left out"
        )
    size -= size % frame
    if not size:
        raise CaptureError(
            f"{source.name}: byte {start}: no whole sample in the data chunk; record it again"
        )
    return replace(layout, data_start=start, data_bytes=size), notes


def _read_format(source: Source, start: int, body: bytes) -> Layout:
    where = f"{source.name}: byte {start}"
    if len(body) < 16:
        raise CaptureError(
            f"{where}: the fmt chunk holds {len(body)} bytes, at least 16 are needed;"
            " record or copy it again"
        )
    tag, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", body)
    if tag == TAG_EXTENSIBLE:
        if len(body) < FORMAT_BYTES or body[26:40] != GUID_TAIL:
            raise CaptureError(
                f"{where}: the extensible fmt chunk has no known sample kind;"
                " convert it to plain PCM"
            )
        tag = struct.unpack_from("<H", body, 24)[0]
    widths = {TAG_INTEGER: (8, 16, 24, 32), TAG_FLOAT: (32, 64)}.get(tag)
    if widths is None:
        raise CaptureError(
            f"{where}: sample kind {tag:#06x} is compressed or unknown; convert it to PCM"
            " (kind 1) or float (kind 3)"
        )
    container = (bits + 7) // 8 * 8
    if container not in widths:
        raise CaptureError(
            f"{where}: {bits} bits a sample; allowed are {', '.join(map(str, widths))}"
            " for this kind; convert it"
        )
    if not 1 <= channels <= CHANNELS_MOST:
        raise CaptureError(
            f"{where}: {channels} channels; allowed are 1 to {CHANNELS_MOST};"
            " the header is damaged, record it again"
        )
    if rate == 0:
        raise CaptureError(f"{where}: a sample rate of 0 Hz; the header is damaged")
    return Layout(tag == TAG_FLOAT, channels, float(rate), container // 8)


def _find_next(source: Source, file: BinaryIO, end: int, size: int) -> int:
    """Offset of the chunk after one that ends at `end`; writers pad odd chunks, or forget to."""
    if end % 2 == 0 or end + 8 > size:
        return end
    source.seek(file, end)
    near = source.read(file, 5)
    plain, padded = near[:4], near[1:5]
    if plain in KNOWN_IDS and padded not in KNOWN_IDS:
        return end
    if _is_id(plain) and not _is_id(padded):
        return end
    return end + 1


def _is_id(name: bytes) -> bool:
    return len(name) == 4 and all(32 <= byte < 127 for byte in name)
