"""Text in UTF-16, or with carriage returns as line ends, turned into UTF-8 with line feeds.

Spreadsheets write UTF-16 with its byte-order mark. Old programs and serial consoles end lines
with a carriage return alone.
"""

from __future__ import annotations

import codecs
import io
from collections.abc import Callable
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

Conversion = Callable[[bytes, bool], bytes]  # (bytes, whether they are the last) -> bytes
PIECE_BYTES = 1 << 18  # bytes converted at a time (judgement)


class ConvertedText(io.RawIOBase):
    """A stream whose bytes are converted as they are read; it can only be read forwards."""

    def __init__(self, file: BinaryIO, conversions: list[Conversion]) -> None:
        self.fileobj = file
        self._conversions = conversions
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
            for convert in self._conversions:
                data = convert(data, self._ended)
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


def find_conversions(head: bytes) -> Callable[[], list[Conversion]] | None:
    """What text with such a beginning needs, made anew for each pass; None when nothing.

    >>> conversions = find_conversions("a\\rb".encode("utf-16"))
    >>> data = "a\\rb".encode("utf-16")
    >>> for convert in conversions():
    ...     data = convert(data, True)
    >>> data
    b'a\\nb'
    """
    wide = head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    plain = _decode_utf16()(head, False) if wide else head
    returns = b"\r" in plain and b"\n" not in plain
    if not wide and not returns:
        return None

    def conversions() -> list[Conversion]:
        return [*([_decode_utf16()] if wide else []), *([_end_lines] if returns else [])]

    return conversions


def _decode_utf16() -> Conversion:
    """UTF-16 to UTF-8; a character cut off at the end of the file becomes U+FFFD."""
    decode = codecs.getincrementaldecoder("utf-16")("replace").decode
    return lambda data, last: decode(data, last).encode("utf-8", "replace")


def _end_lines(data: bytes, last: bool) -> bytes:
    return data.replace(b"\r", b"\n")
