"""What can be read only once, a pipe, read again and again: its bytes go into a temporary file.

The file grows as a pass asks for more, so that a pipe that never ends is heard as it comes.
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

PULL_BYTES = 1 << 18  # bytes taken from a pipe at a time
WAKE_S = 0.3  # s of waiting at once: an interrupt that came just before it is heeded after it


class _Once(Protocol):
    """A binary stream that gives what it has."""

    def read1(self, size: int, /) -> bytes: ...


class Spool:
    """The bytes of a stream so far; `open` gives as many readers from the start as wanted."""

    def __init__(self, stream: _Once) -> None:
        self._stream = stream
        self.ready = _watch(stream)  # whether bytes, or their end, come within so many s
        handle, self.path = tempfile.mkstemp(prefix="arcstep-")
        os.close(handle)
        weakref.finalize(self, remove_file, self.path)
        self._file = Path(self.path).open("ab", buffering=0)  # noqa: SIM115 - as long as this
        weakref.finalize(self, self._file.close)
        self.length = 0  # bytes received
        self.ended = False
        self.keeps = True  # False: what comes now will be read once, and is not kept

    def open(self) -> BinaryIO:
        return SpoolReader(self)  # type: ignore[return-value]

    def fill(self, place: int) -> None:
        """Wait until there is an byte at `place`, or until they end."""
        while self.length <= place and not self.ended:
            self.keeps = True
            self.pull()

    def pull(self) -> bytes:
        """Receive what comes next, however long that takes; nothing at the end."""
        while not self.ready(WAKE_S):
            pass
        data = self._stream.read1(PULL_BYTES)
        if not data:
            self.ended = True
        elif self.keeps:
            self._file.write(data)
        self.length += len(data)
        return data


class SpoolReader(io.RawIOBase):
    """One pass over a spool; a read waits for the first byte and gives what is there."""

    def __init__(self, spool: Spool) -> None:
        self._spool = spool
        self._file = Path(spool.path).open("rb", buffering=0)  # noqa: SIM115 - closed by close
        self._place = 0
        self._direct = b""  # received and not kept, from `_place` on

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        view = memoryview(buffer).cast("B")
        spool = self._spool
        if self._direct:
            data, self._direct = self._direct[: len(view)], self._direct[len(view) :]
        elif self._place < spool.length:
            data = self._file.read(len(view))
        elif spool.keeps:
            spool.fill(self._place)
            data = self._file.read(len(view))
        elif spool.ended:
            data = b""
        else:
            whole = spool.pull()
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
            self._spool.fill(sys.maxsize)
            place += self._spool.length
        self._spool.fill(place - 1)
        self._direct = b""
        self._place = self._file.seek(min(place, self._spool.length))
        return self._place

    def tell(self) -> int:
        return self._place

    def has_more(self, within_s: float) -> bool:
        """Whether a read would give something at once, or so soon."""
        spool = self._spool
        return bool(self._direct) or self._place < spool.length or spool.ready(within_s)

    def close(self) -> None:
        self._file.close()
        super().close()


def _watch(stream: object) -> Callable[[float], bool]:
    """How to tell, waiting so long at most, whether a stream has bytes or has ended."""
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
