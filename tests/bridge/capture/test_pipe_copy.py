"""Pipes: read as they come, again from the start, and not kept where nobody needs them again."""

from __future__ import annotations

import gzip
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.capture.open import open_capture
from bridge.capture.pipe_copy import PipeCopy
from bridge.capture.source import Source
from bridge.capture.trace import Capture, Lines, Samples
from bridge.errors import CaptureError

ReadAll = Callable[[Capture], list[tuple[Any, ...]]]
PIPED = ["a.vcd", "a.vcd.gz", "a.wav", "a.npy", "a.npz", "a.csv", "b.csv", "c.tsv", "a.csv.gz"]

LONGEST_S = 10.0  # s after which a test is taken to hang

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")


@pytest.fixture
def feed(tmp_path: Path) -> Iterator[Callable[[list[bytes | threading.Event]], str]]:
    """A named pipe that gives bytes, and waits for events between them."""
    threads = []

    def start(script: list[bytes | threading.Event]) -> str:
        path = tmp_path / "pipe"
        os.mkfifo(path)

        def write() -> None:
            with path.open("wb", buffering=0) as pipe:
                for step in script:
                    if isinstance(step, threading.Event):
                        assert step.wait(LONGEST_S)
                    else:
                        view = memoryview(step)
                        while view:
                            view = view[pipe.write(view) or 0 :]

        thread = threading.Thread(target=write, daemon=True)
        thread.start()
        threads.append(thread)
        return str(path)

    yield start
    for thread in threads:
        thread.join(LONGEST_S)
        assert not thread.is_alive()


@pytest.mark.parametrize("name", PIPED)
def test_a_pipe_reads_as_the_file_whatever_its_pieces(
    files: dict[str, bytes],
    tmp_path: Path,
    read_all: ReadAll,
    feed: Callable[..., str],
    name: str,
) -> None:
    path = tmp_path / name
    path.write_bytes(files[name])
    data = files[name]
    pieces: list[bytes | threading.Event] = [data[n : n + 701] for n in range(0, len(data), 701)]
    piped = read_all(open_capture(feed(pieces), rate_hz=1e5))
    named = read_all(open_capture(str(path), rate_hz=1e5))
    for one, other in zip(piped, named, strict=True):
        if one[0] == "edges":  # a pipe's end is not known beforehand
            one, other = one[:3] + one[4:], other[:3] + other[4:]  # noqa: PLW2901
        assert one == other


@pytest.fixture
def short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that gives nothing for 20 ms is judged by what it gave."""
    monkeypatch.setattr("bridge.capture.source.HEAD_PAUSE_S", 0.02)


@pytest.fixture
def judged(short_pauses: None, monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Set when what a pipe gave was too little to know its kind."""
    event = threading.Event()
    grow_head = Source.grow_head

    def grow(source: Source) -> bool:
        event.set()
        return grow_head(source)

    monkeypatch.setattr(Source, "grow_head", grow)
    return event


@pytest.mark.usefixtures("short_pauses")
def test_a_frame_is_given_before_the_pipe_ends(feed: Callable[..., str]) -> None:
    heard = threading.Event()
    path = feed([b"0.5 E0 31 68 FF\n", heard, b"0.9 E0 31 60\n"])
    (trace,) = open_capture(path).traces
    assert isinstance(trace, Lines)
    chunks = trace.chunks()
    assert next(chunks)[:2] == (0.5, bytes.fromhex("E03168FF"))  # the pipe waits for this
    heard.set()
    assert next(chunks)[:2] == (0.9, bytes.fromhex("E03160"))
    assert next(chunks, None) is None


def test_a_beginning_too_short_to_judge_is_waited_for(
    files: dict[str, bytes], feed: Callable[..., str], judged: threading.Event
) -> None:
    data = files["a.csv"]
    path = feed([data[:10], judged, data[10:]])
    traces = open_capture(path).traces
    assert [trace.name for trace in traces] == ["volts", "gate"]


def test_a_pipe_that_holds_nothing_readable_is_refused_at_its_end(
    feed: Callable[..., str], judged: threading.Event
) -> None:
    with pytest.raises(CaptureError, match="no kind of capture that is known"):
        open_capture(feed([b"hello\n", judged, b"world, said the line\n"]))


def test_what_is_read_once_is_not_copied(feed: Callable[..., str]) -> None:
    rows = b"".join(b"%.6f,%d.25\n" % (n * 1e-5, n % 7) for n in range(150_000))
    capture = open_capture(feed([b"time,volts\n" + rows]))
    capture.announce_last_pass()
    (trace,) = capture.traces
    assert isinstance(trace, Samples)
    assert sum(chunk.size for chunk in trace.chunks()) == 150_000


def test_the_copy_stops_growing_at_the_last_pass() -> None:
    class Endless:
        def read1(self, size: int, /) -> bytes:
            return b"x" * 1000

    copy = PipeCopy(Endless())
    with copy.open() as first:
        assert len(first.read(2500)) <= 2500
        first.seek(2500)
    kept = Path(copy.path).stat().st_size
    copy.grows = False
    got = 0
    with copy.open() as last:
        while got < 100_000:
            part = last.read(700)
            assert set(part) == {ord("x")}
            got += len(part)
    assert Path(copy.path).stat().st_size == kept <= 4000


def test_a_packed_pipe_that_breaks_off_says_where(
    files: dict[str, bytes], feed: Callable[..., str]
) -> None:
    packed = gzip.compress(files["a.vcd"])
    path = feed([packed[: len(packed) * 2 // 3]])
    with pytest.raises(CaptureError, match=r"packed data stops after [\d,]+ unpacked bytes"):
        open_capture(path)


def test_a_wav_that_a_pipe_cuts_short_is_read_and_told_of(
    files: dict[str, bytes], feed: Callable[..., str]
) -> None:
    data = files["a.wav"]
    held = len(data) - 44 - 100  # bytes of samples, two channels of 16 bits
    capture = open_capture(feed([data[:-100]]))
    (left, _) = capture.traces
    assert isinstance(left, Samples)
    assert sum(chunk.size for chunk in left.chunks()) == held // 4
    assert capture.late_notes == [
        f"{capture.path}: byte 40: the data chunk says {held + 100} bytes, the file holds {held};"
        " read to the end of the file"
    ]
