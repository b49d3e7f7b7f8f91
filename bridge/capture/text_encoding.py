"""Text as older and other machines write it, read as UTF-8 with line feeds on the way.

UTF-16 with its byte-order mark comes from spreadsheets, lines that end with a carriage return
alone from old programs and serial consoles.
"""

from __future__ import annotations

import codecs
import io
from collections.abc import Callable
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

Turn = Callable[[bytes, bool], bytes]  # (bytes, last) -> bytes
PIECE_BYTES = 1 << 18  # bytes turned at a time


class Recoded(io.RawIOBase):
    """A stream whose bytes are turned on the way; it can only be read forwards."""

    def __init__(self, file: BinaryIO, turns: list[Turn]) -> None:
        self.fileobj = file
        self._turns = turns
        self._ready = b""
        self._ended = False
        self._place = 0

    def readable(self) -> bool:
        return True

    def read1(self, count: int, /) -> bytes:
        return self.read(count) or b""

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        view = memoryview(buffer).cast("B")
        while not self._ready and not self._ended:
            data = self.fileobj.read1(PIECE_BYTES)  # type: ignore[attr-defined]
            self._ended = not data
            for turn in self._turns:
                data = turn(data, self._ended)
            self._ready = data
        data, self._ready = self._ready[: len(view)], self._ready[len(view) :]
        view[: len(data)] = data
        self._place += len(data)
        return len(data)

    def seek(self, place: int, whence: int = io.SEEK_SET, /) -> int:
        if whence != io.SEEK_SET or place < self._place:
            raise io.UnsupportedOperation("this text is read forwards only")
        while self._place < place and self.read1(min(place - self._place, PIECE_BYTES)):
            pass
        return self._place

    def tell(self) -> int:
        return self._place

    def close(self) -> None:
        self.fileobj.close()
        super().close()


def find_turns(head: bytes) -> Callable[[], list[Turn]] | None:
    """How text with such a beginning is to be turned, made anew for each pass; None if not.

    >>> turns = find_turns("a\\rb".encode("utf-16"))
    >>> bytes = "a\\rb".encode("utf-16")
    >>> for turn in turns():
    ...     bytes = turn(bytes, True)
    >>> bytes
    b'a\\nb'
    """
    wide = head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    plain = _narrow()(head, False) if wide else head
    returns = b"\r" in plain and b"\n" not in plain
    if not wide and not returns:
        return None

    def turns() -> list[Turn]:
        return [*([_narrow()] if wide else []), *([_end_lines] if returns else [])]

    return turns


def _narrow() -> Turn:
    """UTF-16 to UTF-8; half a character at the end of the file becomes a mark of it."""
    decode = codecs.getincrementaldecoder("utf-16")("replace").decode
    return lambda data, last: decode(data, last).encode("utf-8", "replace")


def _end_lines(data: bytes, last: bool) -> bytes:
    return data.replace(b"\r", b"\n")
