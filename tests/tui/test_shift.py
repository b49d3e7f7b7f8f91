"""`positions shift` on a screen and in JSON, its writing and its undoing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.errors import BadInput
from bridge.station.model import load_station
from tui.commands.shift import parse_readings, run
from tui.text_table import cells_of

TEXT = """\
# the yard behind the barn
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

[limits]
east = 45    # two fingers off the switch
west = 985
"""
TAUGHT = {1: ("Alder", 41.2, 94), 6: ("Fir", 17.3, 440), 10: ("Juniper", 4.3, 609),
          13: ("Nettle", -7.9, 750), 16: ("Rowan", -28.7, 942)}  # fmt: skip
PROVED = ["1=104", "16=952", "east=0:10"]


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    text = TEXT
    for number, (name, longitude, count) in TAUGHT.items():
        text += f'\n[[position]]\nnumber = {number}\nname = "{name}"\n'
        text += f"longitude_deg = {longitude}\ncount = {count}  # peaked in the rain\n"
    text += '\n[[position]]\nnumber = 20\nname = "Teasel"\nlongitude_deg = 30.0\n'
    path = tmp_path / "yard.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_write_nothing_is_written(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = yard.read_bytes()
    assert run(yard, PROVED) == 0
    assert yard.read_bytes() == before
    said = capsys.readouterr().out
    assert said.startswith("Lost counts: >99% likely, +9.9 ±")
    assert max(cells_of(line) for line in said.splitlines()) <= 80


def test_a_proved_shift_changes_counts_and_limits_alone(yard: Path) -> None:
    before = yard.read_text(encoding="utf-8").splitlines()
    assert run(yard, PROVED, write=True) == 0
    station = load_station(yard)
    assert [row.count for row in station.position] == [104, 450, 619, 760, 952, None]
    assert station.limits is not None
    assert (station.limits.east, station.limits.west) == (55, 995)
    after = yard.read_text(encoding="utf-8").splitlines()
    changed = [old for old, new in zip(before, after, strict=True) if old != new]
    assert len(changed) == len(TAUGHT) + 2
    assert all(line.startswith(("count", "east", "west")) for line in changed)
    assert "east = 55    # two fingers off the switch" in after


def test_undo_brings_the_very_bytes_back_and_undo_again_the_shift(yard: Path) -> None:
    before = yard.read_bytes()
    run(yard, PROVED, write=True)
    shifted = yard.read_bytes()
    assert run(yard, [], undo=True) == 0
    assert yard.read_bytes() == before
    assert run(yard, [], undo=True) == 0
    assert yard.read_bytes() == shifted


def test_a_twist_is_told_with_its_direction(yard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Turned so that noon points east of the meridian, satellites peak farther west: counts grow.
    assert run(yard, ["1=105", "10=618", "16=947", "east=0", "west=1000:1000"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1.0 ±0.2 deg counter-clockwise seen from above." in said


def test_known_ends_move_with_lost_counts_and_come_back(yard: Path) -> None:
    text = yard.read_text(encoding="utf-8")
    text = text.replace("[limits]", "[ends]\neast = 0  # at the switch\nwest = 1000\n\n[limits]")
    yard.write_text(text, encoding="utf-8")
    assert run(yard, ["1=104", "16=952", "west=1010"], write=True) == 0
    assert "east = 10  # at the switch\nwest = 1010\n" in yard.read_text(encoding="utf-8")
    assert run(yard, [], undo=True) == 0
    assert yard.read_text(encoding="utf-8") == text


def test_undo_leaves_other_edits_alone(yard: Path) -> None:
    run(yard, PROVED, write=True)
    edited = yard.read_text(encoding="utf-8").replace('"Teasel"', '"Bracken"')
    yard.write_text(edited, encoding="utf-8")
    with pytest.raises(BadInput, match="was not a shift"):
        run(yard, [], undo=True)
    assert yard.read_text(encoding="utf-8") == edited


def test_undo_of_nothing_is_refused(yard: Path) -> None:
    with pytest.raises(BadInput, match="nothing to undo"):
        run(yard, [], undo=True)


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        (["1=104", "16=952"], "do not tell what happened"),  # no end
        (["1=134", "6=480", "east=0:40"], "other side of the arc"),
        (["6=376"], "do not tell what happened"),
        (
            ["1=105", "10=618", "16=947", "east=0:0", "west=1000:1000"],
            "a twisted pole is put right at the pole",
        ),
        (
            ["1=94", "10=609", "16=942", "east=0:0", "west=1000:1000"],
            "nothing is wrong with the counts",
        ),
    ],
)
def test_without_proof_nothing_is_written(
    yard: Path, capsys: pytest.CaptureFixture[str], readings: list[str], reason: str
) -> None:
    before = yard.read_bytes()
    assert run(yard, readings, write=True) == 1
    assert yard.read_bytes() == before
    assert not yard.with_name("yard.toml.bak").exists()
    assert reason in " ".join(capsys.readouterr().out.split())


def test_a_list_that_would_leave_the_stroke_is_not_written(yard: Path) -> None:
    before = yard.read_bytes()
    with pytest.raises(BadInput, match="put the counter right") as told:
        run(yard, ["1=294", "16=1142", "10=809", "east=0:200"], write=True)
    assert "\n" not in str(told.value)
    assert yard.read_bytes() == before


def test_json_gives_verdict_causes_and_positions(
    yard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(yard, PROVED, json=True) == 0
    objects = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    verdict = objects[0]
    assert (verdict["kind"], verdict["cause"], verdict["may_write"]) == (
        "verdict",
        "lost counts",
        True,
    )
    assert verdict["amount"] == pytest.approx(10, abs=1)
    assert verdict["limits"] == {"east": 55, "west": 995}
    causes = [item for item in objects if item["kind"] == "cause"]
    assert sum(item["probability"] for item in causes) == pytest.approx(1.0, abs=1e-3)
    slipped = next(item for item in causes if item["cause"] == "slipped clamp")
    assert slipped["against"] == ["east end moved +10, expected +0 ±2"]
    positions = {item["number"]: item for item in objects if item["kind"] == "position"}
    assert positions[10] == {
        "kind": "position", "number": 10, "name": "Juniper", "longitude_deg": 4.3,
        "before": 609, "after": 619, "now": None, "residual": None,
    }  # fmt: skip
    assert positions[1]["residual"] == 0


def test_json_of_a_refused_writing_stays_json(
    yard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(yard, ["1=104"], json=True, write=True) == 1
    said = capsys.readouterr()
    objects = [json.loads(line) for line in said.out.splitlines()]
    assert objects[0]["cause"] is None
    assert objects[0]["next"]
    assert all(item["after"] is None for item in objects if item["kind"] == "position")
    assert "Nothing was written" in said.err


@pytest.mark.parametrize(
    "words", [["7"], ["7=x"], ["=3"], ["north=3"], ["7=1:2"], ["7=1", "7=2"], ["east=1", "EAST=2"]]
)
def test_words_that_are_no_readings_are_refused_in_one_sentence(words: list[str]) -> None:
    with pytest.raises(BadInput) as told:
        parse_readings(words)
    assert "\n" not in str(told.value)
