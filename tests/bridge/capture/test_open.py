"""Any bytes under any name: traces or one sentence, never anything else."""

from __future__ import annotations

import io
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.capture.open import READERS, open_capture
from bridge.capture.trace import Capture, Edges, Lines, Samples
from bridge.errors import CaptureError

ReadAll = Callable[[Capture], list[tuple[Any, ...]]]
SUFFIXES = [*READERS, "", ".dat", ".gz", ".vcd.gz"]
STARTS = [
    b"",
    b"RIFF\0\0\0\0WAVE",
    b"RF64\xff\xff\xff\xffWAVE",
    b"\x93NUMPY\x01\x00",
    b"PK\x03\x04",
    b"\x1f\x8b\x08\0\0\0\0\0\0\3",
    b"$timescale 1 ns $end\n$var wire 1 ! t $end\n$var real 64 r r $end\n"
    b"$enddefinitions $end\n#0\n",
    b"time,volts\n0.1,1\n0.2,2\n",
    b"E0 31 68 FF\n",
    b"\xff\xfe1\0",
]
NAMES = [
    "a.vcd",
    "a.vcd.gz",
    "a.wav",
    "a.npy",
    "a.npz",
    "a.csv",
    "b.csv",
    "c.tsv",
    "d.csv",
    "a.csv.gz",
    "a.txt",
    "b.hex",
]


def _survive(name: str, content: bytes, read_all: ReadAll, **options: Any) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        try:
            capture = open_capture(str(path), **options)
            assert read_all(capture)
        except CaptureError as error:
            text = str(error)
            assert str(path) in text
            assert "\n" not in text
            assert len(text.replace(folder, "")) < 300


@given(
    st.sampled_from(SUFFIXES),
    st.sampled_from(STARTS),
    st.one_of(
        st.binary(max_size=300),
        st.text("0123456789.,;:-+eE#!$b x\t\r\nabcdefrz\"'{}[]", max_size=300).map(str.encode),
    ),
    st.sampled_from([None, 48000.0]),
)
def test_any_bytes_give_traces_or_one_sentence(
    read_all: ReadAll, suffix: str, start: bytes, rest: bytes, rate_hz: float | None
) -> None:
    _survive(f"x{suffix}", start + rest, read_all, rate_hz=rate_hz)


@given(st.sampled_from(NAMES), st.floats(0, 1))
@example("a.wav", 0.01)
@example("a.vcd", 0.999)
@example("a.npz", 0.99)
def test_a_file_cut_anywhere(
    files: dict[str, bytes], read_all: ReadAll, name: str, share: float
) -> None:
    content = files[name]
    _survive(name, content[: int(len(content) * share)], read_all, rate_hz=100000.0)


@given(st.sampled_from(NAMES), st.floats(0, 1), st.binary(min_size=1, max_size=4))
def test_a_file_with_some_bytes_changed(
    files: dict[str, bytes], read_all: ReadAll, name: str, share: float, data: bytes
) -> None:
    content = files[name]
    at = int(len(content) * share)
    _survive(name, content[:at] + data + content[at + len(data) :], read_all, rate_hz=1e5)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("block", [1, 7, 64, 1000])
def test_any_block_size_gives_the_same(
    files: dict[str, bytes], tmp_path: Path, read_all: ReadAll, name: str, block: int
) -> None:
    path = tmp_path / name
    path.write_bytes(files[name])
    whole = read_all(open_capture(str(path), rate_hz=1e5))
    assert read_all(open_capture(str(path), rate_hz=1e5, block=block)) == whole


def test_a_pass_can_be_made_again(
    files: dict[str, bytes], tmp_path: Path, read_all: ReadAll
) -> None:
    for name in NAMES:
        path = tmp_path / name
        path.write_bytes(files[name])
        capture = open_capture(str(path), rate_hz=1e5)
        assert read_all(capture) == read_all(capture)
        # behind the array of a packed file stands its list of contents, which no pass reads
        assert capture.progress() == 1.0 or (name == "a.npz" and capture.progress() > 0.7)


@pytest.mark.parametrize("name", NAMES)
def test_stdin_reads_as_the_file(
    files: dict[str, bytes],
    tmp_path: Path,
    read_all: ReadAll,
    name: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = tmp_path / name
    path.write_bytes(files[name])
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(files[name])))
    piped = open_capture("-", rate_hz=1e5)
    assert piped.path == "stdin"
    named = read_all(open_capture(str(path), rate_hz=1e5))
    if name == "a.vcd":  # of a pipe nobody knows the end beforehand
        assert [row[:3] + row[4:] for row in read_all(piped)] == [
            row[:3] + row[4:] for row in named
        ]
    elif name in ("a.txt", "b.hex"):
        piped_lines = [line[:2] for line in read_all(piped)[0][2]]
        assert piped_lines == [line[:2] for line in named[0][2]]
    else:
        assert read_all(piped) == named


@pytest.mark.parametrize(
    ("name", "content", "kind"),
    [
        ("x.dat", b"RIFF", "byte 0"),
        ("x", b"", "empty"),
        ("x.dat", b"hello world\nthis is prose\n", "no kind of capture"),
        ("x.vcd", b"hello", "must begin with $"),
        ("x.csv", b"a,b\nc,d\n", "no rows of numbers"),
        ("x.txt", b"nothing here\n", "no frame"),
        ("x.npy", b"1234", "no array header"),
    ],
)
def test_what_cannot_be_read_says_why(
    load: Callable[..., Capture], name: str, content: bytes, kind: str
) -> None:
    with pytest.raises(CaptureError, match=kind.replace("$", r"\$")):
        load(name, content, rate_hz=1e5)


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no such file"):
        open_capture(str(tmp_path / "none.vcd"))
    with pytest.raises(CaptureError, match="directory"):
        open_capture(str(tmp_path))
    with pytest.raises(CaptureError, match="--rate"):
        open_capture(str(tmp_path), rate_hz=-1.0)
    with pytest.raises(CaptureError, match="--rate"):
        open_capture(str(tmp_path), rate_hz=float("nan"))


def test_the_content_counts_more_than_the_name(
    files: dict[str, bytes], load: Callable[..., Capture]
) -> None:
    assert isinstance(load("x.txt", files["a.vcd"]).traces[0], Edges)
    assert isinstance(load("x.csv", files["a.wav"]).traces[0], Samples)
    assert isinstance(load("x.csv", files["a.txt"]).traces[0], Lines)
    assert isinstance(load("x.txt", files["a.csv"]).traces[0], Samples)
    assert isinstance(load("x", files["a.vcd.gz"]).traces[0], Edges)


def test_traces_by_name_part_of_name_and_number(
    files: dict[str, bytes], load: Callable[..., Capture]
) -> None:
    capture = load("a.vcd", files["a.vcd"])
    assert capture.trace("tone").name == "tone"
    assert capture.trace("VOLTS").name == "volts"
    assert capture.trace("1").name == capture.traces[0].name
    with pytest.raises(CaptureError, match="choose one of: tone, bus, volts"):
        capture.trace("nothing")


def test_text_in_utf16_as_spreadsheets_write_it(
    files: dict[str, bytes], load: Callable[..., Capture], read_all: ReadAll
) -> None:
    text = files["a.csv"].decode()
    assert read_all(load("a.csv", text.encode("utf-16"))) == read_all(load("b.csv", text))
    assert read_all(load("a.csv", text.encode("utf-8-sig"))) == read_all(load("b.csv", text))


def test_a_large_file_is_read_in_little_memory(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "large.wav"
    data = 64 << 20
    with path.open("wb") as file:
        file.write(b"RIFF" + (data + 36).to_bytes(4, "little") + b"WAVEfmt ")
        file.write(bytes.fromhex("10000000 0100 0100 40420F00 80841E00 0200 1000"))
        file.write(b"data" + data.to_bytes(4, "little"))
        for _ in range(64):
            file.write(bytes(1 << 20))
    tracemalloc.start()
    trace = open_capture(str(path)).traces[0]
    assert isinstance(trace, Samples)
    assert trace.rate_hz == 1e6
    assert sum(chunk.size for chunk in trace.chunks()) == data // 2
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 16 << 20
    assert np.isclose(trace.start_s, 0)
