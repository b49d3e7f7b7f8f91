"""`arcstep decode` as people use it: table, JSON, CSV, several files, bad ones among them."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.capture.write import write_capture
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending
from tui.commands.decode import decode

STEP, ASK, REPLY = bytes.fromhex("E03168FF"), bytes.fromhex("E23164"), bytes.fromhex("E480")
KEYS = {
    "file", "t_s", "kind", "hex", "parity_ok", "duration_s", "role", "repeat", "reply_wanted",
    "address", "command", "name", "args", "meaning", "supply_v", "carrier_hz", "faults",
}  # fmt: skip


@pytest.fixture
def capture(tmp_path: Path) -> str:
    path = tmp_path / "evening.csv"
    write_capture(path, Sending([STEP, ASK, REPLY], supply_v=18.0), rate_hz=100e3)
    return str(path)


def run(
    *arguments: str, stdin: bytes = b"", **environment: str
) -> subprocess.CompletedProcess[bytes]:
    script = "import sys; from tui.cli import main; sys.exit(main())"
    return subprocess.run(
        [sys.executable, "-c", script, "decode", *arguments],
        input=stdin,
        capture_output=True,
        check=False,
        env={**os.environ, **environment},
        timeout=60,
    )


def test_json_gives_one_object_an_event(capture: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert decode([capture], json=True) == 0
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [event["kind"] for event in events] == ["supply", "frame", "frame", "frame"]
    assert events[0]["volts"] == pytest.approx(18.0, abs=0.05)
    first = events[1]
    assert set(first) >= KEYS
    assert first["file"] == capture
    assert first["hex"] == "E0 31 68 FF"
    assert first["parity_ok"] == [True] * 4
    assert (first["name"], first["args"]) == ("drive east", {"counts": 1})
    assert (first["address"], first["command"], first["role"]) == (0x31, 0x68, "command")
    assert first["t_s"] == pytest.approx(0.025, abs=1e-4)
    assert first["carrier_hz"] == pytest.approx(22_000, rel=1e-3)
    assert first["faults"] == []
    assert events[2]["reply_wanted"] is True
    assert events[3]["role"] == "reply"
    assert (events[3]["address"], events[3]["command"]) == (None, None)


def test_the_table_fits_80_columns_and_holds_no_colour(
    capture: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert decode([capture]) == 0
    out = capsys.readouterr().out
    assert "E0 31 68 FF" in out
    assert "Drive east 1 count" in out
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= 80


def test_csv_has_a_head_and_a_row_an_event(
    capture: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert decode([capture], csv=True) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["kind"] for row in rows] == ["supply", "frame", "frame", "frame"]
    assert rows[1]["hex"] == "E0 31 68 FF"
    assert rows[1]["parity_ok"] == "ok ok ok ok"
    assert rows[1]["repeat"] == "false"


def test_a_bad_file_among_good_ones_stops_nothing(
    capture: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    missing = str(tmp_path / "missing.wav")
    assert decode([missing, capture], json=True) == 2
    out, err = capsys.readouterr()
    assert len(out.splitlines()) == 4
    assert "missing.wav" in err
    assert len(err.splitlines()) == 1


def test_a_capture_without_traffic_is_told_of_with_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "idle.csv"
    rows = "".join(f"{n * 1e-5:.6f},13.0\n" for n in range(3000))
    path.write_text("Time (s),Bus (V)\n" + rows)
    assert decode([str(path)], json=True) == 1
    out, err = capsys.readouterr()
    assert [json.loads(line)["kind"] for line in out.splitlines()] == ["supply"]
    assert "no bus traffic found" in err


def test_use_that_makes_no_sense_is_refused(capture: str) -> None:
    with pytest.raises(CaptureError, match="no file"):
        decode([])
    with pytest.raises(CaptureError, match="choose one"):
        decode([capture], json=True, csv=True)


def test_the_whole_program_reads_standard_input() -> None:
    done = run("-", "--json", stdin=b"0.5 E0 31 60\n0.7 E0 31 6B 07\n")
    assert done.returncode == 0, done.stderr
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(event["t_s"], event["name"]) for event in events] == [(0.5, "halt"), (0.7, "goto")]


@pytest.mark.parametrize(
    ("name", "content"),
    [("none.wav", None), ("words.txt", b"no hex here\n"), ("e.vcd", b"")],
)
def test_bad_input_is_one_sentence_with_the_name_of_the_file(
    tmp_path: Path, name: str, content: bytes | None
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(CaptureError) as refused:
        decode([str(path)])
    assert "\n" not in str(refused.value)
    assert str(refused.value).startswith(str(path))
    assert refused.value.exit_code == 2


def test_the_whole_program_leaves_bad_input_with_code_2(tmp_path: Path) -> None:
    path = tmp_path / "cut.wav"
    path.write_bytes(b"RIFF\x00")
    done = run(str(path))
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.count(b"\n") == 1
    assert done.stderr.startswith(f"arcstep: {path}".encode())


def _start(*arguments: str, stderr: int = subprocess.PIPE) -> subprocess.Popen[bytes]:
    script = "import sys; from tui.cli import main; sys.exit(main())"
    return subprocess.Popen(
        [sys.executable, "-c", script, "decode", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=stderr,
    )


def _make(kind: str, path: Path, sending: Sending) -> bytes:
    write_capture(path.with_suffix(kind), sending, rate_hz=100e3 if kind == ".csv" else None)
    return path.with_suffix(kind).read_bytes()


@pytest.mark.skipif(sys.platform == "win32", reason="signals are others there")
@pytest.mark.parametrize("kind", [".vcd", ".csv", ".wav", ".txt"])
def test_events_come_while_the_pipe_is_open_and_stay_after_an_interrupt(
    tmp_path: Path, kind: str
) -> None:
    """A pipe that gives a few messages and then nothing, but does not end."""
    sending = Sending([STEP, ASK, REPLY, STEP], gap_s=0.6)
    data = b"0.5 E0 31 68 FF\n0.9 E0 31 60\n" * (kind == ".txt")
    process = _start("-", "--json")
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(data or _make(kind, tmp_path / "x", sending))
    process.stdin.flush()
    first = json.loads(process.stdout.readline())
    while first["kind"] == "supply":
        first = json.loads(process.stdout.readline())
    assert first["hex"] == "E0 31 68 FF"
    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 130
    process.stdin.close()
    for line in process.stdout:
        assert json.loads(line)["file"] == "-"  # whole lines only
    process.stdout.close()
    assert process.stderr is not None
    assert process.stderr.read() == b"arcstep: interrupted\n"
    process.stderr.close()


@pytest.mark.parametrize("is_terminal", [True, False])
def test_progress_shows_on_a_terminal_only(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    is_terminal: bool,
) -> None:
    path = tmp_path / "long.wav"
    write_capture(path, Sending([STEP] * 12))
    monkeypatch.setattr("tui.commands.progress.INTERVAL_S", 0.0)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: is_terminal)
    assert decode([str(path)], json=True) == 0
    out, told = capsys.readouterr()
    assert len(out.splitlines()) == 12
    if not is_terminal:
        assert told == ""
        return
    shares = re.findall(rf"\r{re.escape(str(path))}: [\d,.]+ s, (\d+)%\x1b\[K", told)
    assert [int(share) for share in shares] == sorted(map(int, shares))
    assert shares[-1] == "100"
    assert told.endswith("\r\x1b[K")


def test_the_channels_are_told_of_where_there_are_several(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = _make(".csv", tmp_path / "x", Sending([STEP], supply_v=0.0)).decode()
    rows = [f"{row},{13.1 if n < 5000 else 18.3}" for n, row in enumerate(data.splitlines()[1:])]
    path = tmp_path / "two.csv"
    path.write_text("Time (s),CH1 (V),CH2 (V)\n" + "\n".join(rows) + "\n")
    assert decode([str(path)], json=True) == 0
    out, err = capsys.readouterr()
    assert err.startswith(f"{path}: bus on channel 'CH1', supply on channel 'CH2' (")
    events = [json.loads(line) for line in out.splitlines()]
    volts = [round(event["volts"]) for event in events if event["kind"] == "supply"]
    assert volts == [13, 18]
    (frame,) = [event for event in events if event["kind"] == "frame"]
    assert frame["supply_v"] in (13.1, 18.3)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes close in another way there")
def test_a_closed_pipe_ends_quietly(tmp_path: Path) -> None:
    text = tmp_path / "long.txt"
    text.write_text("E0 31 60\n" * 20_000)
    script = "import sys; from tui.cli import main; sys.exit(main())"
    process = subprocess.Popen(
        [sys.executable, "-c", script, "decode", "--json", str(text)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(60) == 0
