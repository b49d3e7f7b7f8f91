"""Where the bytes of a capture come from: a file, a gzip file, a pipe or stdin.

A source can be read again from the start as often as there are traces. A pipe or stdin is copied
into a temporary file while it is read.
"""

from __future__ import annotations

import gzip
import io
import os
import stat
import sys
import tempfile
import time
import weakref
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, BinaryIO, cast

from bridge.capture.pipe_copy import PipeCopy, PipeReader, remove_file
from bridge.capture.text_encoding import Conversion, ConvertedText, find_conversions
from bridge.errors import CaptureError

HEAD_BYTES = 1 << 16  # bytes looked at to tell what kind of file it is (judgement)
COPY_BYTES = 1 << 20  # bytes copied at a time (judgement)
HEAD_PAUSE_S = 0.5  # s without a byte after which a pipe is judged by what it gave (judgement)
BLOCK_PAUSE_S = 0.1  # s that a block of a slow pipe may take to fill (judgement)
GZIP_MAGIC = b"\x1f\x8b"  # RFC 1952, section 2.3.1


class Source:
    """Bytes that can be read from the start again and again; `name` is for messages."""

    def __init__(self, path: str) -> None:
        self.name = "stdin" if path == "-" else path
        self.path = path
        self.notes: list[str] = []  # sentences; they grow while passes run
        self.suffix = "" if path == "-" else _find_suffix(path)
        self._reached = 0  # place in the file, packed or not, that the last pass has reached
        self._broken: tuple[object, CaptureError] | None = None  # file, next error
        self._pipe: PipeCopy | None = None
        self._conversions: Callable[[], list[Conversion]] | None = None
        if path == "-":
            if sys.stdin is None or sys.stdin.closed:
                raise CaptureError("stdin: it is closed; name a file, or pipe one in")
            self._pipe = PipeCopy(sys.stdin.buffer)  # type: ignore[arg-type]
        else:
            self._find_pipe()
        with self._open_raw() as file:
            self.zipped = False
            self.zipped = self.read(file, 2) == GZIP_MAGIC
        self.size = self._find_size()
        self.head = self._read_head(1)

    def _find_size(self) -> int | None:
        """Bytes, unpacked; None where only a whole pass would tell."""
        if self.zipped or self._pipe is not None or self._conversions is not None:
            return None
        try:
            return Path(self.path).stat().st_size
        except OSError as error:
            raise _explain(self.name, error) from error

    def _read_head(self, least: int) -> bytes:
        """The first bytes: of a pipe that pauses what it gave, but at least `least` bytes."""
        with self.open() as file:
            if self._pipe is None:
                return self.read(file, HEAD_BYTES)
            head = self.read(file, min(least, HEAD_BYTES))
            while len(head) < HEAD_BYTES and self._has_more(file, HEAD_PAUSE_S):
                part = self.read(file, HEAD_BYTES - len(head), whole=False)
                if not part:
                    break
                head += part
            return head

    def grow_head(self) -> bool:
        """Wait for more of a pipe than the head holds; False where there is no more to wait for."""
        if self._pipe is None or len(self.head) >= HEAD_BYTES:
            return False
        before = len(self.head)
        self.head = self._read_head(before + 1)
        return len(self.head) > before

    def announce_last_pass(self) -> None:
        """Promise that one more pass is all that comes: what a pipe gives is no longer copied."""
        if self._pipe is not None:
            self._pipe.grows = False

    def _open_raw(self) -> BinaryIO:
        try:
            return Path(self.path).open("rb") if self._pipe is None else self._pipe.open()
        except OSError as error:
            raise _explain(self.name, error) from error

    def open(self) -> BinaryIO:
        """Open for reading from the start: unpacked, text as UTF-8."""
        file = self._open_raw()
        if self.zipped:
            file = cast(BinaryIO, _Unpacked(file))
        if self._conversions is None:
            return file
        return cast(BinaryIO, ConvertedText(file, self._conversions()))

    def read(self, file: IO[bytes], count: int, *, whole: bool = True) -> bytes:
        """Read up to `count` bytes, fewer only at the end; CaptureError where it breaks.

        Without `whole` also where a pipe has no more for now.
        """
        if self._broken is not None and self._broken[0] is file:
            raise self._broken[1]
        whole = whole or self._pipe is None
        begun_s = time.monotonic()
        parts: list[bytes] = []
        try:
            with self._explained(file):
                plain = whole and not self.zipped
                take = file.read if plain else cast(io.BufferedIOBase, file).read1
                while count > 0 and (part := take(count)):
                    parts.append(part)
                    count -= len(part)
                    left_s = begun_s + BLOCK_PAUSE_S - time.monotonic()
                    if not whole and not self._has_more(file, max(left_s, 0.0)):
                        break
                self._reached = _position_of(getattr(file, "fileobj", None) or file)
        except CaptureError as error:
            if not parts:
                raise
            self._broken = (file, error)  # what came before is good
        return parts[0] if len(parts) == 1 else b"".join(parts)

    def seek(self, file: IO[bytes], place: int) -> None:
        """Go to a place in the unpacked bytes; CaptureError where they break before it."""
        with self._explained(file):
            file.seek(place)

    @contextmanager
    def _explained(self, file: IO[bytes]) -> Iterator[None]:
        try:
            yield
        except EOFError:
            raise CaptureError(
                f"{self.name}: the packed data stops after {_position_of(file)} unpacked bytes;"
                " copy the file again, or unpack what there is"
            ) from None
        except (gzip.BadGzipFile, zlib.error) as error:
            raise CaptureError(
                f"{self.name}: the packed data is damaged after {_position_of(file)} unpacked bytes"
                f" ({error}); copy the file again"
            ) from None
        except OSError as error:
            raise _explain(self.name, error) from error

    def blocks(self, count: int, start: int = 0) -> Iterator[bytes]:
        """Give the bytes from `start` on in pieces of `count`, the last one shorter."""
        with self.open() as file:
            if start:
                self.seek(file, start)
            while block := self.read(file, count, whole=False):
                yield block

    def progress(self) -> float:
        """Tell how much of the file the pass under way has read, from 0 to 1."""
        with suppress(OSError):
            size = self._pipe.length if self._pipe else Path(self.path).stat().st_size
            return min(self._reached / size, 1.0) if size else 1.0
        return 1.0

    def unpack(self) -> None:
        """Unpack a gzip file or a pipe into a temporary file, for kinds that need all of it."""
        if not self.zipped and self._pipe is None:
            return
        handle, path = tempfile.mkstemp(prefix="arcstep-")
        weakref.finalize(self, remove_file, path)
        with os.fdopen(handle, "wb") as copy, self.open() as file:
            try:
                while part := self.read(file, COPY_BYTES):
                    copy.write(part)
            except OSError as error:
                raise _explain(self.name, error) from error
        self.path, self.zipped, self._pipe = path, False, None
        self.size = self._find_size()

    def unify_text(self) -> None:
        """Read text as UTF-8 with line feeds from now on, however it is written."""
        self._conversions = find_conversions(self.head)
        if self._conversions is not None:
            self.size = None
            self.head = self._read_head(len(self.head) // 2)

    def _find_pipe(self) -> None:
        """Take note of a path that is a pipe; refuse a directory."""
        try:
            mode = Path(self.path).stat().st_mode
            if stat.S_ISDIR(mode):
                raise CaptureError(f"{self.name}: this is a directory; name a file in it")
            if not stat.S_ISREG(mode):
                pipe = Path(self.path).open("rb")  # noqa: SIM115 - as long as this
                weakref.finalize(self, pipe.close)
                self._pipe = PipeCopy(pipe)
        except (OSError, ValueError) as error:
            raise _explain(self.name, error) from error

    @staticmethod
    def _has_more(file: IO[bytes], within_s: float) -> bool:
        """Whether a pipe gives more within a time, also through a gzip file or converted text."""
        inner: object = file
        while not isinstance(inner, PipeReader) and inner is not None:
            inner = getattr(inner, "fileobj", None)
        return inner is None or inner.has_more(within_s)


class _Unpacked(gzip.GzipFile):
    """A gzip file that closes the one it reads from, as it closes."""

    def __init__(self, file: BinaryIO) -> None:
        super().__init__(fileobj=file, mode="rb")
        self._packed = file

    def close(self) -> None:
        super().close()
        self._packed.close()


def _position_of(file: IO[bytes]) -> int:
    with suppress(OSError, ValueError, EOFError, zlib.error):
        return file.tell()
    return 0


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
