"""Where the octets of a capture come from: a file, a gzip file, a pipe or stdin.

A source can be read again from the start as often as there are traces; what cannot be read
twice (stdin, a pipe) is first copied into a temporary file that goes away with the source.
"""

from __future__ import annotations

import codecs
import gzip
import os
import stat
import sys
import tempfile
import weakref
import zlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import IO, BinaryIO, cast

from bridge.errors import CaptureError

HEAD_OCTETS = 1 << 16  # octets looked at to tell what kind of file it is
SPOOL_OCTETS = 1 << 20  # octets copied at a time from what cannot be read twice
GZIP_MAGIC = b"\x1f\x8b"


class Source:
    """Octets that can be read from the start again and again; `name` is for messages."""

    def __init__(self, path: str) -> None:
        self.name = "stdin" if path == "-" else path
        self.path = path
        self._reached = 0  # octets of the file, packed or not, that the last pass has come to
        self.suffix = "" if path == "-" else _find_suffix(path)
        if path == "-":
            if sys.stdin is None or sys.stdin.closed:
                raise CaptureError("stdin: it is closed; name a file, or pipe one in")
            self._spool(sys.stdin.buffer)
        else:
            self._look()
        try:
            with Path(self.path).open("rb") as file:
                self.zipped = file.read(2) == GZIP_MAGIC
            self.size = None if self.zipped else Path(self.path).stat().st_size
        except OSError as error:
            raise _explain(self.name, error) from error
        with self.open() as file:
            self.head = self.read(file, HEAD_OCTETS)

    def open(self) -> BinaryIO:
        """Open for reading from the start, unpacked."""
        try:
            if self.zipped:
                return cast(BinaryIO, gzip.open(self.path, "rb"))
            return Path(self.path).open("rb")
        except OSError as error:
            raise _explain(self.name, error) from error

    def read(self, file: IO[bytes], count: int) -> bytes:
        """Read up to `count` octets, fewer only at the end; CaptureError where it breaks."""
        parts = []
        try:
            while count > 0 and (part := file.read(count)):
                parts.append(part)
                count -= len(part)
            self._reached = self._tell(getattr(file, "fileobj", None) or file)
        except EOFError:
            raise CaptureError(
                f"{self.name}: the packed data stops after {self._tell(file)} unpacked octets;"
                " copy the file again, or unpack what there is"
            ) from None
        except (gzip.BadGzipFile, zlib.error) as error:
            raise CaptureError(
                f"{self.name}: the packed data is damaged after {self._tell(file)} unpacked octets"
                f" ({error}); copy the file again"
            ) from None
        except OSError as error:
            raise _explain(self.name, error) from error
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def blocks(self, count: int, start: int = 0) -> Iterator[bytes]:
        """Give the octets from `start` on in pieces of `count`, the last one shorter."""
        with self.open() as file:
            if start:
                file.seek(start)
            while block := self.read(file, count):
                yield block

    def progress(self) -> float:
        """Tell how much of the file the pass under way has read, from 0 to 1."""
        with suppress(OSError):
            size = Path(self.path).stat().st_size
            return min(self._reached / size, 1.0) if size else 1.0
        return 1.0

    def unpack(self) -> None:
        """Unpack a gzip file into a temporary one, for kinds that need to seek."""
        if self.zipped:
            with self.open() as file:
                self._spool(file)
            self.zipped = False
            self.size = Path(self.path).stat().st_size

    def unify_text(self) -> None:
        """Turn text in UTF-16, as spreadsheets write it, into a temporary file of UTF-8."""
        if self.head[:2] not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
            return
        decode = codecs.getincrementaldecoder("utf-16")("replace").decode
        handle, path = tempfile.mkstemp(prefix="arcstep-")
        weakref.finalize(self, _remove, path)
        with os.fdopen(handle, "wb") as copy:
            for octets in self.blocks(SPOOL_OCTETS):
                copy.write(decode(octets).encode())
        self.path, self.zipped = path, False
        self.size = Path(path).stat().st_size
        with self.open() as file:
            self.head = self.read(file, HEAD_OCTETS)

    def _look(self) -> None:
        try:
            mode = Path(self.path).stat().st_mode
            if stat.S_ISDIR(mode):
                raise CaptureError(f"{self.name}: this is a directory; name a file in it")
            if not stat.S_ISREG(mode):
                with Path(self.path).open("rb") as pipe:
                    self._spool(pipe)
        except (OSError, ValueError) as error:
            raise _explain(self.name, error) from error

    def _spool(self, file: IO[bytes]) -> None:
        handle, path = tempfile.mkstemp(prefix="arcstep-")
        weakref.finalize(self, _remove, path)
        try:
            with os.fdopen(handle, "wb") as copy:
                while part := self.read(file, SPOOL_OCTETS):
                    copy.write(part)
        except OSError as error:
            raise _explain(self.name, error) from error
        self.path = path

    @staticmethod
    def _tell(file: IO[bytes]) -> int:
        with suppress(OSError, ValueError, EOFError, zlib.error):
            return file.tell()
        return 0


def _remove(path: str) -> None:
    with suppress(OSError):
        Path(path).unlink()


def _find_suffix(path: str) -> str:
    name = Path(path).name.casefold()
    return Path(name.removesuffix(".gz")).suffix


def _explain(name: str, error: Exception) -> CaptureError:
    if isinstance(error, CaptureError):
        return error
    if isinstance(error, FileNotFoundError):
        return CaptureError(f"{name}: there is no such file; check the name")
    if isinstance(error, PermissionError):
        return CaptureError(f"{name}: no permission to read it; ask its owner, or copy it")
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return CaptureError(f"{name}: cannot be read ({reason}); check the path and the disk")
