"""The header of a NumPy array, in a file of its own or in a member of a zip file."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import partial
from tokenize import TokenError
from types import SimpleNamespace
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from bridge.capture.source import Source
from bridge.errors import CaptureError

if TYPE_CHECKING:
    Shape = tuple[int, ...]

HEADER_MOST = 1 << 16  # bytes of an array header; usual ones have 128 (judgement)
SIDE_MOST = 1 << 62  # values along one side, so that their number fits 64 bits (judgement)


@dataclass(frozen=True, slots=True)
class Array:
    """Where an array lies: in the file itself, or in a member of a zip file."""

    source: Source
    member: str | None
    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    by_column: bool
    data_start: int  # byte offset of the first value, in the file or the member

    @property
    def where(self) -> str:
        """Name for messages."""
        return self.source.name + (f": {self.member}" if self.member else "")

    @property
    def count(self) -> int:
        """How many values the header promises."""
        product = 1
        for side in self.shape:
            product *= side
        return product


def read_header(source: Source, member: str | None, file: IO[bytes]) -> Array:
    """Read the header and leave `file` at the first value.

    Raises CaptureError for a header that cannot be read or an array that holds no numbers.
    """
    where = source.name + (f": {member}" if member else "")
    stream = SimpleNamespace(read=partial(source.read, file))
    try:
        version = np.lib.format.read_magic(stream)
    except CaptureError:
        raise
    except ValueError:
        raise CaptureError(
            f"{where}: byte 0: no array header within {file.tell()} bytes;"
            " this is no NumPy file, or it was cut short"
        ) from None
    start = file.tell() + (2 if version == (1, 0) else 4)  # behind the length of the header
    try:
        shape, by_column, dtype = _parse_header(stream, version)
    except CaptureError:
        raise
    except (ValueError, TypeError, MemoryError, RecursionError, TokenError) as error:
        reason = str(error).partition(" on line ")[0][:60] or type(error).__name__
        raise CaptureError(
            f"{where}: byte {start}: the array header cannot be read ({reason});"
            " save the array again"
        ) from None
    if dtype.hasobject or dtype.itemsize == 0:
        raise CaptureError(
            f"{where}: byte {start}: the array holds objects, not numbers; save it as real numbers"
        )
    return Array(source, member, dtype, shape, by_column, file.tell())


def _parse_header(stream: Any, version: tuple[int, int]) -> tuple[Shape, bool, np.dtype[Any]]:
    """Shape, whether columns come one after another, and kind of the values."""
    if version not in ((1, 0), (2, 0), (3, 0)):
        raise ValueError(f"version {version[0]}.{version[1]}")
    one = version == (1, 0)
    parse = np.lib.format.read_array_header_1_0 if one else np.lib.format.read_array_header_2_0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        shape, by_column, dtype = parse(stream, max_header_size=HEADER_MOST)
    if not all(0 <= side < SIDE_MOST for side in shape):
        raise ValueError(f"shape {shape!r}"[:40])
    if version == (3, 0) and dtype.names:  # as 2.0, but names of fields are UTF-8
        dtype.names = tuple(name.encode("latin-1").decode() for name in dtype.names)
    return shape, by_column, dtype
