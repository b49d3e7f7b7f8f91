"""NumPy files: `.npy` and `.npz`, one trace a channel; the sample rate comes from outside.

An array of one dimension is one channel; of two, the shorter side counts the channels; fields
of a structured array are channels. Booleans, and integers that are 0 and 1 only, are a logic
line. An `.npz` may hold the rate as a number named `rate`, `sample_rate` (`_hz`),
`samplerate`, `fs` or `sr`, the interval as `dt`, or the times as an array named `t`, `time` or
`times`. Floats are taken for volts, integers for counts.
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from bridge.capture.edges import find_edges
from bridge.capture.npy_header import Array, read_header
from bridge.capture.source import Source
from bridge.capture.trace import Capture, Edges, Samples, Trace
from bridge.errors import CaptureError

if TYPE_CHECKING:
    from bridge.capture.trace import EdgeBlock, FloatBlock, RawBlock

# names of members of an .npz (common practice)
RATE_NAMES = {"rate", "rate_hz", "sample_rate", "sample_rate_hz", "samplerate", "fs", "sr"}
INTERVAL_NAMES = {"dt", "dt_s", "interval", "interval_s"}
TIME_NAMES = {"t", "time", "times", "t_s", "time_s"}
CHANNELS_MOST = 64  # channels; more columns than this are a picture (judgement)
PEEK_COUNT = 1 << 20  # values looked at to tell a logic line from counts (judgement)
RATE_MOST_HZ = 1e12  # Hz, beyond any recorder (judgement)


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel in an array: every `stride`-th value from `first` on, `count` of them."""

    array: Array
    name: str
    first: int
    stride: int
    count: int
    field: str | None = None

    @property
    def dtype(self) -> np.dtype[Any]:
        """Kind of one value."""
        return self.array.dtype if self.field is None else self.array.dtype[self.field]


def read_npy(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read one `.npy` array; CaptureError without `rate_hz`."""
    with source.open() as file:
        array = read_header(source, None, file)
    return _make_capture(source, [array], _need_rate(source, rate_hz), 0.0, block)


def read_npz(source: Source, rate_hz: float | None, block: int) -> Capture:
    """Read the arrays of an `.npz`; its rate is used where `rate_hz` is not given."""
    source.unpack()
    arrays: list[Array] = []
    start_s = 0.0
    file_hz: float | None = None
    try:
        with zipfile.ZipFile(source.path) as pack:
            for member in pack.namelist():
                if not member.endswith(".npy"):
                    continue
                with pack.open(member) as file:
                    array = read_header(source, member, file)
                key = member.removesuffix(".npy").casefold()
                if key in RATE_NAMES or key in INTERVAL_NAMES:
                    file_hz = _read_rate(array, key)
                elif key in TIME_NAMES:
                    start_s, file_hz = _read_times(array, block)
                elif array.count > 1:
                    arrays.append(array)
    except _ZIP_TROUBLE as error:
        raise _explain(source.name, error) from None
    rate = _need_rate(source, rate_hz or file_hz)
    return _make_capture(source, arrays, rate, start_s, block)


def _need_rate(source: Source, rate_hz: float | None) -> float:
    if rate_hz is None:
        raise CaptureError(
            f"{source.name}: the file does not say its sample rate; give it in Hz with --rate"
        )
    return rate_hz


def _make_capture(
    source: Source, arrays: list[Array], rate_hz: float, start_s: float, block: int
) -> Capture:
    traces: list[Trace] = []
    notes: list[str] = []
    for array in arrays:
        found, note = _find_channels(array)
        notes += note
        traces += [_make_trace(channel, rate_hz, start_s, block) for channel in found]
    if not traces:
        raise CaptureError(
            f"{source.name}: no array of two or more numbers in it; save the samples as one"
        )
    return Capture(source.name, tuple(traces), tuple(notes))


def _make_trace(channel: Channel, rate_hz: float, start_s: float, block: int) -> Trace:
    kind = channel.dtype.kind
    if kind == "b" or (kind in "iu" and _is_logic(channel, block)):
        return Edges(
            channel.name,
            1 / rate_hz,
            start_s,
            start_s + channel.count / rate_hz,
            partial(_edges, channel, rate_hz, start_s, block),
        )
    return Samples(
        channel.name,
        rate_hz,
        start_s,
        kind == "f",
        partial(_scaled, channel, block),
        partial(_raw, channel, block),
    )


def _is_logic(channel: Channel, block: int) -> bool:
    seen = 0
    both = 0
    for values in _raw(channel, block):
        if values.min() < 0 or values.max() > 1:
            return False
        both |= 1 << int(values.max()) | 1 << int(values.min())
        seen += values.size
        if seen >= PEEK_COUNT:
            break
    return both == 0b11


def _find_channels(array: Array) -> tuple[list[Channel], list[str]]:
    name = (array.member or "samples").removesuffix(".npy")
    notes: list[str] = []
    held = array.count
    if array.member is None and array.source.size is not None:
        held = max(array.source.size - array.data_start, 0) // array.dtype.itemsize
        if held < array.count:
            notes.append(
                f"{array.where}: byte {array.data_start}: the header says {array.count:,}"
                f" values, the file holds {held:,}; read to the end of the file"
            )
    held = min(held, array.count)
    shape = [side for side in array.shape if side != 1] or [1]
    if len(shape) > 2 or (len(shape) == 2 and min(shape) > CHANNELS_MOST):
        raise CaptureError(
            f"{array.where}: an array of shape {array.shape}; allowed are one channel or up to"
            f" {CHANNELS_MOST} side by side; save the samples alone"
        )
    fields = array.dtype.names
    if len(shape) == 1:
        if fields:
            found = [Channel(array, field, 0, 1, held, field) for field in fields]
        else:
            found = [Channel(array, name, 0, 1, held)]
    else:
        rows, columns = reversed(shape) if array.by_column else shape
        found = []
        if rows >= columns:  # values of all channels lie side by side
            for n in range(columns):
                whole = max(held - n + columns - 1, 0) // columns
                found.append(Channel(array, f"{name} {n + 1}", n, columns, whole))
        else:  # channel after channel
            for n in range(rows):
                whole = min(max(held - n * columns, 0), columns)
                found.append(Channel(array, f"{name} {n + 1}", n * columns, 1, whole))
        if fields:
            found = []
    numeric = [channel for channel in found if channel.dtype.kind in "biuf" and channel.count]
    if not numeric:
        raise CaptureError(
            f"{array.where}: byte {array.data_start}: no numbers for a channel"
            f" (kind {str(array.dtype)[:40]}, shape {array.shape}); save real numbers"
        )
    return numeric, notes


def _raw(channel: Channel, block: int) -> Iterator[RawBlock]:
    array = channel.array
    item = array.dtype.itemsize
    step = max(block // (item * channel.stride), 1) * channel.stride
    row_start = channel.first - channel.first % channel.stride
    left = channel.count
    try:
        with _open(array) as file:
            if file.seekable():
                array.source.seek(file, array.data_start + row_start * item)
            while left > 0 and (data := array.source.read(file, step * item)):
                whole = len(data) // item
                values = np.frombuffer(data, array.dtype, whole)
                if channel.field is not None:
                    values = values[channel.field]
                values = values[channel.first - row_start :: channel.stride][:left]
                if not values.size:
                    return
                left -= values.size
                yield values
            if left > 0 and array.source.size is None:
                _note_short(channel, channel.count - left)
    except _ZIP_TROUBLE as error:
        raise _explain(array.where, error) from None


def _note_short(channel: Channel, held: int) -> None:
    array = channel.array
    note = (
        f"{array.where}: byte {array.data_start}: the header says {channel.count:,} values of"
        f" {channel.name}, the file holds {held:,}; read to the end of the file"
    )
    if note not in array.source.notes:
        array.source.notes.append(note)


def _scaled(channel: Channel, block: int) -> Iterator[FloatBlock]:
    for values in _raw(channel, block):
        with np.errstate(over="ignore", invalid="ignore"):
            yield values.astype(np.float32)


def _edges(channel: Channel, rate_hz: float, start_s: float, block: int) -> Iterator[EdgeBlock]:
    levels = ((values != 0).view(np.uint8) for values in _raw(channel, block))
    return find_edges(levels, rate_hz, start_s)


def _read_rate(array: Array, key: str) -> float:
    values = next(_raw(_only(array), 4096), None)
    value = float(values[0]) if values is not None and values.dtype.kind in "iuf" else 0.0
    least = 1 / RATE_MOST_HZ
    if not least < value < RATE_MOST_HZ:
        raise CaptureError(
            f"{array.where}: {value:g} is no sample rate or interval; give the rate with --rate"
        )
    return 1 / value if key in INTERVAL_NAMES else value


def _read_times(array: Array, block: int) -> tuple[float, float]:
    first = last = 0.0
    seen = 0
    for values in _raw(_only(array), block):
        first = float(values[0]) if not seen else first
        last = float(values[-1])
        seen += values.size
    if seen < 2 or not first < last < float("inf"):
        raise CaptureError(f"{array.where}: the times do not grow; give the rate with --rate")
    return first, (seen - 1) / (last - first)


def _only(array: Array) -> Channel:
    if array.dtype.kind not in "iuf":
        raise CaptureError(f"{array.where}: no numbers in it; give the rate with --rate")
    return Channel(array, "", 0, 1, array.count)


def _open(array: Array) -> IO[bytes]:
    if array.member is None:
        return array.source.open()
    with zipfile.ZipFile(array.source.path) as pack:  # the member keeps the file open
        return pack.open(array.member)


# A password wanted is a RuntimeError to the library, an unknown packing one of its kind.
_ZIP_TROUBLE = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, ValueError, OSError)


def _explain(where: str, error: Exception) -> Exception:
    if isinstance(error, CaptureError):
        return error
    what = "is damaged or cut short"
    if isinstance(error, NotImplementedError):
        what = "is packed in a way that is not read here"
    elif isinstance(error, RuntimeError):
        what = "wants a password"
    return CaptureError(f"{where}: the packed file {what} ({str(error)[:80]}); save it again")
