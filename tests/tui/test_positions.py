"""The list's own commands: check, diff, export, import."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from bridge.errors import BadInput, YardError
from tui.commands import check, csv_sheet, diff

STATION = """\
[station]
latitude_deg = 44.60
longitude_deg = 3.90

# the first
[[position]]
number = 1
name = "Alder"
longitude_deg = 41.2
count = 94
peaked = 2026-05-04

[[position]]
number = 2
name = "Birch"
longitude_deg = 35.4
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "yard.toml"
    file.write_text(STATION, encoding="utf-8")
    return file


def test_check_passes_with_notes(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert check.run(path) == 0
    assert capsys.readouterr().out.splitlines() == [
        "note   2 Birch: not taught: has no count; peak it and store it",
        "2 positions: 0 errors, 1 note",
    ]


def test_check_fails_with_an_error(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path.write_text(STATION.replace("number = 2", "number = 1"), encoding="utf-8")
    assert check.run(path, json=True) == 1
    [line] = capsys.readouterr().out.splitlines()
    found = json.loads(line)
    assert list(found) == ["number", "code", "detail"]
    assert (found["number"], found["code"]) == (1, "duplicate number")
    path.write_text(STATION + "x = 1\n[odd]\n", encoding="utf-8")
    with pytest.raises(YardError, match="odd: is not a key here"):
        check.run(path)


def test_diff(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert diff.run(path, path) == 0
    assert capsys.readouterr().out == "no difference\n"
    other = tmp_path / "other.toml"
    other.write_text(STATION.replace("94", "104"), encoding="utf-8")
    assert diff.run(path, other) == 1
    assert capsys.readouterr().out == "1 Alder: count: 94 -> 104 (+10)\n"
    assert diff.run(path, other, json=True) == 1
    assert json.loads(capsys.readouterr().out) == {
        "number": 1,
        "code": "count",
        "detail": "count of Alder: 94 -> 104 (+10)",
    }


def test_out_and_in_again(
    path: Path, tmp_path: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    sheet = tmp_path / "list.csv"
    assert csv_sheet.export(path, out=sheet, decimal="comma") == 0
    assert sheet.read_bytes().startswith(b"\xef\xbb\xbfnumber;name;longitude_deg;")
    assert b"\r\n1;Alder;41,2;94;-45,0;45,0;2026-05-04;\r\n" in sheet.read_bytes()
    with pytest.raises(BadInput, match="already exists"):
        csv_sheet.export(path, out=sheet)
    assert csv_sheet.import_sheet(sheet, path) == 0
    assert path.read_text(encoding="utf-8") == STATION
    out, err = capfdbinary.readouterr()
    assert out == b""
    assert b"holds all of it already" in err
    assert csv_sheet.export(path) == 0
    assert capfdbinary.readouterr().out.startswith(b"number,name,longitude_deg,count")


def test_import_tells_and_saves_or_only_tells(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "list.csv"
    sheet.write_text("number;name;count\n2;Birch;181\n9;Pine;857\n", encoding="utf-8")
    assert csv_sheet.import_sheet(sheet, path, dry_run=True) == 0
    told = ["2: count: none -> 181", "9: added"]
    kept = "not in the sheet and kept: 1; --replace removes them"
    assert capsys.readouterr().out.splitlines() == [*told, kept]
    assert path.read_text(encoding="utf-8") == STATION
    assert csv_sheet.import_sheet(sheet, path, replace=True) == 0
    out, err = capsys.readouterr()
    assert out.splitlines() == [*told, "1: removed"]
    assert "saved; the former file is kept as" in err
    assert "# the first" not in path.read_text(encoding="utf-8")
    assert path.with_name("yard.toml.bak").read_text(encoding="utf-8") == STATION


def test_import_from_standard_input(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"number,count\n2,181\n")))
    assert csv_sheet.import_sheet(Path("-"), path) == 0
    assert "2: count: none -> 181" in capsys.readouterr().out


def test_a_bad_sheet_changes_nothing(path: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "list.csv"
    sheet.write_text("number,count\n2,9x\n2,1\n", encoding="utf-8")
    with pytest.raises(YardError) as refused:
        csv_sheet.import_sheet(sheet, path)
    assert len(str(refused.value).splitlines()) == 2
    with pytest.raises(BadInput, match="no such file"):
        csv_sheet.import_sheet(tmp_path / "none.csv", path)
    assert path.read_text(encoding="utf-8") == STATION
