"""A file saved whole or not at all, its former content kept beside it, nobody's edits lost."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bridge.errors import BadInput

LOCK_S = 5.0  # s to wait for another program that saves in the same folder
BUSY_S = 1.0  # s to try again where a virus scanner or viewer holds the file (Windows)
BACKUP_SUFFIX = ".bak"


def backup_of(path: Path) -> Path:
    """Where the former content of a file is kept; links are followed."""
    real = Path(os.path.realpath(path))
    return real.with_name(real.name + BACKUP_SUFFIX)


def save_whole(
    path: Path, content: bytes, *, expected: bytes | None, keep: bool = True
) -> Path | None:
    """Replace what a file holds, and keep the former content; returns where that is.

    `expected` is what the file held when it was read, None for a file that must not be there yet.
    Raises BadInput, with nothing changed, where another program wrote in between or the disk
    refuses.
    """
    real = Path(os.path.realpath(path))  # through links, to the file itself
    try:
        with _alone_in(real.parent, path):
            found = _content(real)
            if found is not None and expected is None:
                raise BadInput(f"{path}: is there already; choose another name or move it away")
            if found != expected:
                gone = "is gone" if found is None else "was changed by another program"
                raise BadInput(
                    f"{path}: {gone} since it was read, so nothing was saved; read it again and"
                    " repeat the change"
                )
            if found is not None and not os.access(real, os.W_OK):
                raise BadInput(f"{path}: is write-protected, so nothing was saved; allow it first")
            kept = None
            if found is not None and keep:
                kept = backup_of(real)
                replace_file(kept, found, like=real)
            replace_file(real, content, like=real)
            return kept
    except OSError as error:
        raise BadInput(
            f"{path}: cannot be saved: {error.strerror or error}; the file is as it was, free some"
            " space or check who may write there"
        ) from None


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


@contextlib.contextmanager
def _alone_in(folder: Path, path: Path) -> Iterator[None]:
    """Keep other saving programs out of a folder; without locks (Windows) only the check guards."""
    if sys.platform == "win32":
        yield
        return
    import fcntl  # noqa: PLC0415 - not there on Windows

    handle = os.open(folder, os.O_RDONLY)
    try:
        until_s = time.monotonic() + LOCK_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until_s:
                    raise BadInput(
                        f"{path}: another program has been saving in this folder for"
                        f" {LOCK_S:g} s, so nothing was saved; try again"
                    ) from None
                time.sleep(0.01)
            except OSError:
                break  # a file system without locks: the check of the content is what is left
        yield
    finally:
        os.close(handle)


def replace_file(path: Path, content: bytes, *, like: Path) -> None:
    """Put `content` at `path` in one step, with the mode and owner of `like` where it is there.

    Raises OSError, with the former content in place. Links are not followed.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".tmp", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        _take_after(temporary, like)
        _swap(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    with contextlib.suppress(OSError):  # the folder's own entry; not every system can
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _take_after(temporary: Path, like: Path) -> None:
    try:
        known = like.stat()
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)
        return
    temporary.chmod(stat.S_IMODE(known.st_mode))
    if hasattr(os, "chown") and (known.st_uid, known.st_gid) != (os.geteuid(), os.getegid()):
        with contextlib.suppress(OSError):  # only the superuser may give a file away
            os.chown(temporary, known.st_uid, known.st_gid)


def _swap(temporary: Path, path: Path) -> None:
    until_s = time.monotonic() + BUSY_S
    while True:
        try:
            temporary.replace(path)
        except PermissionError:
            if sys.platform != "win32" or time.monotonic() > until_s:
                raise
            time.sleep(0.02)
        else:
            return
