"""A pipe can be read only once; a copy of its bytes in a temporary file can be read again.

The copy grows as a pass wants more, so a pipe that never ends is read as it comes.
"""

from __future__ import annotations

import io
import os
import select
import sys
import tempfile
import weakref
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Protocol

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

PULL_BYTES = 1 << 18  # bytes taken from a pipe at a time (judgement)
WAKE_S = 0.3  # s of waiting at once; a keyboard interrupt is served between two (judgement)


class _Stream(Protocol):
    """A binary stream whose read gives what is there."""

    def read1(self, size: int, /) -> bytes: ...


class PipeCopy:
    """The bytes of a stream so far; `open` gives as many readers from the start as wanted."""

    def __init__(self, stream: _Stream) -> None:
        self._stream = stream
        self.ready = _watch(stream)  # whether bytes, or their end, come within a time in s
        handle, self.path = tempfile.mkstemp(prefix="arcstep-")
        os.close(handle)
        weakref.finalize(self, remove_file, self.path)
        self._file = Path(self.path).open("ab", buffering=0)  # noqa: SIM115 - as long as this
        weakref.finalize(self, self._file.close)
        self.length = 0  # bytes received
        self.ended = False
        self.grows = True  # False: what comes now is read once and not copied

    def open(self) -> BinaryIO:
        """Open for reading from the first byte."""
        return PipeReader(self)  # type: ignore[return-value]

    def fill(self, place: int) -> None:
        """Wait until the byte at `place` is there, or until they end."""
        while self.length <= place and not self.ended:
            self.grows = True
            self.pull()

    def pull(self) -> bytes:
        """Receive what comes next, however long that takes; nothing at the end."""
        while not self.ready(WAKE_S):
            pass
        data = self._stream.read1(PULL_BYTES)
        if not data:
            self.ended = True
        elif self.grows:
            self._file.write(data)
        self.length += len(data)
        return data


class PipeReader(io.RawIOBase):
    """One pass over the copy of a pipe; a read waits for the first byte and gives what is there."""

    def __init__(self, pipe: PipeCopy) -> None:
        self._pipe = pipe
        self._file = Path(pipe.path).open("rb", buffering=0)  # noqa: SIM115 - closed by close
        self._place = 0
        self._direct = b""  # received and not copied, from `_place` on

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        view = memoryview(buffer).cast("B")
        pipe = self._pipe
        if self._direct:
            data, self._direct = self._direct[: len(view)], self._direct[len(view) :]
        elif self._place < pipe.length:
            data = self._file.read(len(view))
        elif pipe.grows:
            pipe.fill(self._place)
            data = self._file.read(len(view))
        elif pipe.ended:
            data = b""
        else:
            whole = pipe.pull()
            data, self._direct = whole[: len(view)], whole[len(view) :]
        view[: len(data)] = data
        self._place += len(data)
        return len(data)

    def read1(self, count: int, /) -> bytes:
        return self.read(count) or b""

    def seek(self, place: int, whence: int = io.SEEK_SET, /) -> int:
        if whence == io.SEEK_CUR:
            place += self._place
        elif whence == io.SEEK_END:
            self._pipe.fill(sys.maxsize)
            place += self._pipe.length
        self._pipe.fill(place - 1)
        self._direct = b""
        self._place = self._file.seek(min(place, self._pipe.length))
        return self._place

    def tell(self) -> int:
        return self._place

    def has_more(self, within_s: float) -> bool:
        """Tell whether a read would give something within `within_s`."""
        pipe = self._pipe
        return bool(self._direct) or self._place < pipe.length or pipe.ready(within_s)

    def close(self) -> None:
        self._file.close()
        super().close()


def _watch(stream: object) -> Callable[[float], bool]:
    """Make the function that waits for bytes, or for the end, up to a time in s."""
    try:
        number = stream.fileno()  # type: ignore[attr-defined]
        select.select([number], [], [], 0)
    except (AttributeError, OSError, ValueError):  # no descriptor, or none that can be waited for
        return lambda _: True
    return lambda for_s: bool(select.select([number], [], [], for_s)[0])


def remove_file(path: str) -> None:
    """Remove a temporary file, if it is still there."""
    with suppress(OSError):
        Path(path).unlink()
