"""`positions predict` on a screen and in JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.errors import YardError
from tui.commands.predict import run
from tui.text_table import cells_of

HEAD = """\
[station]
name = "Test Yard"
latitude_deg = 44.60
longitude_deg = 3.90
height_m = 210
[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976
"""
TAUGHT = {"Alder": (41.2, 94), "Elm": (21.9, 376), "Fir": (17.3, 440), "Rowan": (-28.7, 942)}


def write(folder: Path, counts: dict[str, int | None] | None = None, head: str = HEAD) -> Path:
    text = head
    for number, (name, (longitude, count)) in enumerate(TAUGHT.items(), 1):
        told = (counts or {}).get(name, count)
        text += f'[[position]]\nnumber = {number}\nname = "{name}"\nlongitude_deg = {longitude}\n'
        text += "" if told is None else f"count = {told}\n"
    text += '[[position]]\nnumber = 9\nname = "ありのままの長い名前 that goes on"\n'
    text += "longitude_deg = 4.3\n[[position]]\nnumber = 200\nname = 'No place'\n"
    path = folder / "yard.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_json_has_the_fit_then_every_position(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(write(tmp_path, {"Fir": None}), json=True) == 0
    fit, *rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert list(fit) == ["kind", "taught", "unknowns", "rms_counts", "suspects"]
    assert (fit["kind"], fit["taught"], fit["suspects"]) == ("fit", 3, [])
    assert fit["unknowns"][:2] == ["offset", "scale"]
    for row in rows:
        assert list(row) == [
            "kind", "number", "name", "longitude_deg", "count", "low", "high", "taught", "residual",
        ]  # fmt: skip
        assert row["kind"] == "position"
    fir, juniper, nowhere = rows[2], rows[4], rows[5]
    assert fir["count"] == pytest.approx(440, abs=1)
    assert fir["low"] < 440 < fir["high"]
    assert (fir["taught"], fir["residual"]) == (False, None)
    assert juniper["count"] == pytest.approx(609, abs=1)
    assert (nowhere["longitude_deg"], nowhere["count"], nowhere["low"]) == (None, None, None)
    assert rows[0]["taught"] is True
    assert isinstance(rows[0]["residual"], float)


def test_json_keeps_the_stories_out_of_the_data(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(write(tmp_path, {"Fir": 376}), json=True)
    said = capsys.readouterr()
    for line in said.out.splitlines():
        json.loads(line)
    assert json.loads(said.out.splitlines()[0])["suspects"] == [3]
    assert "taught on its neighbour 2 Elm" in " ".join(said.err.split())


def test_the_table_keeps_to_80_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(write(tmp_path, {"Fir": 376})) == 0
    said = capsys.readouterr().out
    assert max(cells_of(line) for line in said.splitlines()) <= 80
    assert "? 3 Fir: 64 counts east of where the others put it" in said
    fir = next(line for line in said.splitlines() if line.startswith("  3 Fir"))
    assert fir.endswith("?")
    assert "41.2E" in said
    assert "28.7W" in said


def test_peaks_that_contradict_each_other_leave_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    two = {"Elm": None, "Fir": None, "Rowan": 850}
    assert run(write(tmp_path, two)) == 1
    assert "trust no band" in capsys.readouterr().out


def test_nothing_to_predict_from_is_refused_in_one_sentence(tmp_path: Path) -> None:
    bare = HEAD.split("[mount]", maxsplit=1)[0]
    path = write(tmp_path, dict.fromkeys(TAUGHT), bare)
    with pytest.raises(YardError) as told:
        run(path)
    assert "\n" not in str(told.value)
    assert "[mount]" in str(told.value)


def test_the_screen_says_what_was_fitted_and_what_was_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(write(tmp_path))
    said = " ".join(capsys.readouterr().out.split())
    assert "4 peaks fitted: they fix offset and scale" in said
    assert "dish pivot kept close to the values in [mount]" in said
    assert "axis may be set true or modified" in said
    assert "held back: taught minus what all other peaks predict" in said
    run(write(tmp_path, dict.fromkeys(TAUGHT)))
    said = " ".join(capsys.readouterr().out.split())
    assert "No peak to fit." in said
    assert "Residual" not in said


def test_without_mount_the_screen_names_what_is_usual(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = HEAD.split("[mount]", maxsplit=1)[0]
    run(write(tmp_path, {"Elm": None, "Fir": None}, bare))
    out = capsys.readouterr().out
    said = " ".join(out.split())
    assert "kept close to the usual values" in said
    assert "do not tell a linear actuator from a worm drive" in said
    alder = next(line for line in out.splitlines() if "Alder" in line)
    assert "±" not in alder  # one other peak and no mount hold nothing against it
