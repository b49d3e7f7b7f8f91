"""`positions diff` of a station file against logs: saved, decoded, captured, and none of these."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from bridge.errors import BadInput
from bridge.log.read_write import HEAD, write_log
from bridge.log.record import Kind, LogEvent, Record
from tui.cli import app
from tui.commands import diff

STATION = """\
[station]
latitude_deg = 44.6
longitude_deg = 3.9

[[position]]
number = 1
name = "Alder"
longitude_deg = 41.2
count = 94

[[position]]
number = 2
name = "Birch"
longitude_deg = 35.4
count = 181
"""
STORE_1, STORE_2 = "E0 31 6A 01", "E0 31 6A 02"


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    file = tmp_path / "yard.toml"
    file.write_text(STATION, encoding="utf-8")
    return file


def saved(tmp_path: Path, *rows: str) -> Path:
    log = tmp_path / "evening.txt"
    log.write_text("\n".join([HEAD, *rows]) + "\n", encoding="utf-8")
    return log


def test_a_saved_log_that_differs(
    yard: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = saved(tmp_path, f"t\tsent\t{STORE_1}\tStore\t94", f"t\tsent\t{STORE_2}\tStore\t185")
    assert diff.run(yard, log) == 1
    assert capsys.readouterr().out.splitlines() == [
        "2 Birch: count: store was sent at count 185, line 3; the file has 181 (-4)",
        f"1 difference between the file and {log}",
    ]
    assert diff.run(yard, log, json=True) == 1
    assert json.loads(capsys.readouterr().out) == {
        "number": 2,
        "code": "count",
        "detail": "store was sent at count 185, line 3; the file has 181 (-4)",
        "differs": True,
        "file": str(log),
        "line": 3,
    }


def test_a_saved_log_that_does_not(
    yard: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert diff.run(yard, saved(tmp_path, f"t\tsent\t{STORE_1}\tStore\t94")) == 0
    said = capsys.readouterr().out.splitlines()
    assert (
        said[0] == "note: 2 Birch: not proved: count 181 of Birch was neither stored nor gone to in"
    )


def test_a_log_saved_before_events_had_columns_says_the_same(
    yard: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Stored when the counter read 15 less, which the log tells by its recount."""
    rows = [
        Record(Kind.SENT, frame=bytes.fromhex(STORE_1), count=79),
        Record(Kind.SENT, frame=bytes.fromhex(STORE_2), count=166),
        Record(Kind.NOTE, LogEvent.END_SWITCH, side="east", count=-20),
        Record(Kind.NOTE, LogEvent.RECOUNT, old_count=100, new_count=115, count=100),
        Record(Kind.NOTE, LogEvent.END_SWITCH, side="east", count=11),
        Record(Kind.ERROR, LogEvent.RESTART, detail="3", count=11),
    ]
    text = write_log(rows, epoch_s=0.0)
    old = "".join("\t".join(line.split("\t")[:5]) + "\n" for line in text.splitlines())
    log = tmp_path / "evening.txt"
    said = []
    for content in (text, old):
        log.write_text(content, encoding="utf-8")
        assert diff.run(yard, log) == 1
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]
    assert said[0].splitlines() == [
        "list: adapter restarted: the adapter restarted, line 7: counts before and after may not be"
        " the same",
        "list: counts lost: the east end was met at -5, line 4, and at 11, line 6: counts were lost"
        " between, or it stopped for another reason",
        f"2 differences between the file and {log}",
    ]


def test_a_capture_proves_no_count_and_says_so_once(
    yard: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capture = tmp_path / "evening.hex"
    capture.write_text(f"0.5 {STORE_1}\n1.5 {STORE_2}\n", encoding="utf-8")
    assert diff.run(yard, capture) == 0
    said = capsys.readouterr().out
    assert said.startswith("note: no count: all 2: store was sent")
    assert "0 differences" in said


def test_decoded_lines_from_standard_input(
    yard: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    line = {"kind": "frame", "t_s": 0.5, "hex": "E0 31 6A 09", "parity_ok": [True] * 4}
    monkeypatch.setattr(sys, "stdin", io.StringIO(json.dumps(line) + "\n"))
    words = ["positions", "diff", str(yard), "-"]
    assert app(words, exit_on_error=False, print_error=False) == 1
    assert "9: not in the file: store was sent, at 0.500 s" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("none.txt", None, "no such file"),
        ("idle.txt", HEAD + "\nt\tnote\t\tgreets\t0\n", "no command to a positioner"),
        ("torn.txt", HEAD + "\nt\tsent\n", "torn.txt:2: holds 2 cells"),
        ("story.txt", "nothing of the kind\n", "story.txt"),
    ],
)
def test_what_is_no_log_is_refused(
    yard: Path, tmp_path: Path, name: str, text: str | None, says: str
) -> None:
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=says):
        diff.run(yard, tmp_path / name)


def test_a_kept_copy_of_a_station_file_is_no_log(
    yard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = yard.with_name("yard.toml.bak")
    kept.write_text("# kept\n" + STATION.replace("181", "185"), encoding="utf-8")
    assert diff.run(kept, yard) == 1
    assert capsys.readouterr().out == "2 Birch: count: 185 -> 181 (-4)\n"


def test_the_station_comes_first(yard: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="write the station first"):
        diff.run(saved(tmp_path), yard)


def test_a_sheet_comes_from_standard_input(
    yard: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"number,count\n2,185\n")))
    words = ["positions", "import", "-", str(yard)]
    assert app(words, exit_on_error=False, print_error=False) == 0
    assert "2: count: 181 -> 185" in capsys.readouterr().out
