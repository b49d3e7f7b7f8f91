"""A file saved whole or not at all, with its former content as a backup and no edit lost."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from bridge.errors import BadInput

LOCK_S = 5.0  # s to wait for another program that saves in the same folder (judgement)
BUSY_S = 1.0  # s to try again where another program holds the file open, on Windows (judgement)
BACKUP_SUFFIX = ".bak"


def backup_of(path: Path) -> Path:
    """Where the former content of a file goes; links are followed."""
    real = Path(os.path.realpath(path))
    return real.with_name(real.name + BACKUP_SUFFIX)


def save_whole(
    path: Path, content: bytes, *, expected: bytes | None, backup: bool = True
) -> Path | None:
    """Replace what a file holds; returns where the former content is now, None without a backup.

    `expected` is what the file held when it was read, None for a file that must not be there yet.
    Raises BadInput, with nothing changed, where another program wrote in between or the disk
    refuses.
    """
    real = Path(os.path.realpath(path))  # through links, to the file itself
    if not real.parent.is_dir():
        raise BadInput(
            f"{path}: the folder {real.parent} does not exist; make it or choose another"
        )
    try:
        with _alone_in(real.parent, path):
            found = _content(real)
            if found is not None and expected is None:
                raise BadInput(f"{path}: already exists; choose another name or move it away")
            if found != expected:
                gone = "is gone" if found is None else "was changed by another program"
                raise BadInput(
                    f"{path}: {gone} since it was read, so nothing was saved; read it again and"
                    " repeat the change"
                )
            if found is not None and not os.access(real, os.W_OK):
                raise BadInput(f"{path}: is write-protected, so nothing was saved; allow it first")
            former = None
            if found is not None and backup:
                former = backup_of(real)
                replace_file(former, found, like=real)
            replace_file(real, content, like=real)
            return former
    except OSError as error:
        raise BadInput(
            f"{path}: cannot be saved: {error.strerror or error}; the file is as it was, free some"
            " space or check who may write there"
        ) from None


def _content(path: Path) -> bytes | None:
    """What a file holds; None where there is none."""
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
    with replacing(path, like=like) as file:
        file.write(content)


@contextlib.contextmanager
def replacing(path: Path, *, like: Path) -> Iterator[IO[bytes]]:
    """A file to write to, which takes the place of `path` in one step at the end.

    After an exception nothing has changed. As `replace_file` otherwise.
    """
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".tmp", dir=path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _copy_mode(like, temporary)
        _swap(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    with contextlib.suppress(OSError):  # the entry in the folder; not every system can
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _copy_mode(like: Path, temporary: Path) -> None:
    """Give a file the mode and owner of another; those of any new file where that is not there."""
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
    """Move a file to its place; Windows refuses for as long as another program has it open."""
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
