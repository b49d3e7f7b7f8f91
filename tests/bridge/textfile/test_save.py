"""Files saved whole or not at all, whoever else writes there, wherever the power fails."""

from __future__ import annotations

import fcntl
import multiprocessing
import os
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import BadInput
from bridge.textfile import save
from bridge.textfile.save import backup_of, replace_file, replacing, save_whole


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "yard.toml"
    file.write_bytes(b"one")
    return file


def refusal(path: Path, content: bytes = b"two", expected: bytes | None = b"one") -> str:
    with pytest.raises(BadInput) as refused:
        save_whole(path, content, expected=expected)
    return str(refused.value)


def test_the_former_content_is_the_backup(path: Path) -> None:
    assert save_whole(path, b"two", expected=b"one") == path.with_name("yard.toml.bak")
    assert path.read_bytes() == b"two"
    assert save_whole(path, b"three", expected=b"two") == backup_of(path)
    assert backup_of(path).read_bytes() == b"two"
    assert sorted(os.listdir(path.parent)) == ["yard.toml", "yard.toml.bak"]


def test_without_a_backup_there_is_none(path: Path) -> None:
    assert save_whole(path, b"two", expected=b"one", backup=False) is None
    assert path.read_bytes() == b"two"
    assert os.listdir(path.parent) == ["yard.toml"]


def test_a_new_file_has_the_mode_of_any_new_file(tmp_path: Path) -> None:
    path, other = tmp_path / "new.toml", tmp_path / "other"
    assert save_whole(path, b"x", expected=None) is None
    other.touch()
    assert path.read_bytes() == b"x"
    assert path.stat().st_mode == other.stat().st_mode
    assert sorted(os.listdir(tmp_path)) == ["new.toml", "other"]
    mask = os.umask(0o022)
    assert os.umask(mask) == 0o022
    assert mask == os.umask(mask)  # saving left the mask of the process as it was


def test_mode_and_links_stay(path: Path) -> None:
    path.chmod(0o640)
    link = path.parent / "link.toml"
    link.symlink_to(path.name)
    backup = save_whole(link, b"two", expected=b"one")
    assert link.is_symlink()
    assert path.read_bytes() == b"two"
    assert backup == backup_of(path) == backup_of(link)
    assert [stat.S_IMODE(file.stat().st_mode) for file in (path, backup)] == [0o640, 0o640]


@pytest.mark.skipif(os.geteuid() != 0, reason="only the superuser may give a file away")
def test_the_owner_stays(path: Path) -> None:
    os.chown(path, 12345, 54321)
    save_whole(path, b"two", expected=b"one")
    assert (path.stat().st_uid, path.stat().st_gid) == (12345, 54321)


def test_what_is_refused_says_why_and_what_to_do(path: Path, tmp_path: Path) -> None:
    assert refusal(path, expected=None) == (
        f"{path}: already exists; choose another name or move it away"
    )
    assert refusal(path, expected=b"zero") == (
        f"{path}: was changed by another program since it was read, so nothing was saved; read it"
        " again and repeat the change"
    )
    gone = tmp_path / "gone.toml"
    assert refusal(gone) == (
        f"{gone}: is gone since it was read, so nothing was saved; read it again and repeat the"
        " change"
    )
    nowhere = tmp_path / "nowhere" / "a.toml"
    assert refusal(nowhere, expected=None) == (
        f"{nowhere}: the folder {nowhere.parent} does not exist; make it or choose another"
    )
    assert path.read_bytes() == b"one"
    assert os.listdir(tmp_path) == ["yard.toml"]


def test_a_write_protected_file_is_not_replaced(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the superuser may write anything, so the answer of the system is given here
    monkeypatch.setattr(os, "access", lambda _, mode: mode != os.W_OK)
    assert refusal(path) == f"{path}: is write-protected, so nothing was saved; allow it first"
    assert os.listdir(path.parent) == ["yard.toml"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_disk_that_refuses_leaves_the_file_as_it_was(
    path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(*((save.os, "fsync") if step == "fsync" else (Path, "replace")), full)
    assert refusal(path) == (
        f"{path}: cannot be saved: No space left on device; the file is as it was, free some space"
        " or check who may write there"
    )
    monkeypatch.undo()
    assert path.read_bytes() == b"one"
    assert os.listdir(path.parent) == ["yard.toml"]


def test_everything_is_on_the_disk_before_it_takes_its_place(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file renamed before its content is written may be empty after a power failure."""
    steps: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def note_fsync(handle: int) -> None:
        kind = "folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file"
        steps.append(f"{kind} {os.fstat(handle).st_size if kind == 'file' else ''}".strip())
        fsync(handle)

    def note_replace(self: Path, target: Path) -> Path:
        steps.append("replace")
        return replace(self, target)

    monkeypatch.setattr(save.os, "fsync", note_fsync)
    monkeypatch.setattr(Path, "replace", note_replace)
    replace_file(path, b"seventeen letters", like=path)
    assert steps == ["file 17", "replace", "folder"]


def test_an_exception_while_writing_changes_nothing(path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), replacing(path, like=path) as file:  # noqa: PT012
        file.write(b"half of it")
        raise KeyboardInterrupt
    assert path.read_bytes() == b"one"
    assert os.listdir(path.parent) == ["yard.toml"]


# ---- several programs -----------------------------------------------------------------------


def test_a_folder_that_stays_locked_is_waited_for_and_then_refused(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(save, "LOCK_S", 0.05)
    handle = os.open(path.parent, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        begun_s = time.monotonic()
        assert refusal(path) == (
            f"{path}: another program has been saving in this folder for 0.05 s, so nothing was"
            " saved; try again"
        )
        assert 0.05 <= time.monotonic() - begun_s < 2.0
    finally:
        os.close(handle)
    assert path.read_bytes() == b"one"
    save_whole(path, b"two", expected=b"one")


def test_a_file_system_without_locks_still_saves(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_locks(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(fcntl, "flock", no_locks)
    save_whole(path, b"two", expected=b"one")
    assert path.read_bytes() == b"two"


def test_saving_leaves_no_handle_open(path: Path) -> None:
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0
    save_whole(path, b"two", expected=b"one")
    refusal(path)
    after = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0
    assert after == before


def _append(path: Path, letter: bytes) -> None:
    """Add a letter, from the start again where another writer came in between."""
    while True:
        before = path.read_bytes()
        try:
            save_whole(path, before + letter, expected=before)
        except BadInput:
            continue
        return


@pytest.mark.parametrize("kind", ["threads", "processes"])
def test_many_writers_lose_nothing(path: Path, kind: str) -> None:
    letters = [b"a", b"b", b"c", b"d", b"e", b"f"]
    context = multiprocessing.get_context("fork")
    make: Callable[..., Any] = threading.Thread if kind == "threads" else context.Process
    workers = [make(target=_append, args=(path, letter)) for letter in letters]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(path.read_bytes()) == sorted(b"one" + b"".join(letters))


_SAVING = """
import sys
from pathlib import Path
from bridge.textfile.save import save_whole
path, content = Path(sys.argv[1]), b"one"
print("ready", flush=True)
for n in range(100000):
    new = b"%06d" % n * 1000
    save_whole(path, new, expected=content)
    content = new
"""


@pytest.mark.parametrize("wait_s", [0.003, 0.03])
def test_killed_while_saving_the_file_is_whole(path: Path, wait_s: float) -> None:
    command = [sys.executable, "-c", _SAVING, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as saver:
        assert saver.stdout is not None
        assert saver.stdout.readline() == "ready\n"
        time.sleep(wait_s)  # how far it comes is chance; the file must be whole wherever it is
        saver.kill()
    left = path.read_bytes()
    assert left == b"one" or left == left[:6] * 1000
    save_whole(path, b"two", expected=left)  # no lock is left behind
