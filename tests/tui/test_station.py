"""Beginning a station file from the command line, by options or by questions."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import BadInput
from bridge.station.model import load_station
from bridge.station.template import KnownFacts
from tui.commands.station import ask_for, demo, new


def test_by_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "yard.toml"
    known = KnownFacts("Test Yard", 44.6, 3.9)
    assert new(path, known, questions=False) == 0
    assert capsys.readouterr().out == f"{path} written\n"
    assert load_station(path).station.longitude_deg == 3.9
    with pytest.raises(BadInput, match="already exists"):
        new(path, known, questions=False)


def test_what_is_left_out_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert new(tmp_path / "a.toml", KnownFacts(), questions=False) == 0
    assert "give it latitude_deg and longitude_deg before" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("known", "says"),
    [
        (KnownFacts(latitude_deg=90), "latitude_deg: 90 deg sees no satellite of the belt"),
        (KnownFacts(longitude_deg=355), "longitude_deg: 355 is not within .* so write -5"),
        (KnownFacts(diameter_m=120), "diameter_m: 120 is not over 0.1"),
    ],
)
def test_what_cannot_be_is_not_written(tmp_path: Path, known: KnownFacts, says: str) -> None:
    path = tmp_path / "yard.toml"
    with pytest.raises(BadInput, match=says):
        new(path, known, questions=False)
    assert not path.exists()


def test_questions_are_asked_until_answered_or_left_out(
    capsys: pytest.CaptureFixture[str],
) -> None:
    answers = iter(
        ["Yard", "north", "90", "44,6 S", "355", "3.9w", "", "1.2", "1000", "0.5", "0", ""]
    )
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question.split(maxsplit=1)[0])
        return next(answers)

    assert ask_for(KnownFacts(), ask) == KnownFacts("Yard", -44.6, -3.9, None, 1.2, 1000)
    assert asked == [
        "Name",
        *["Latitude"] * 3,
        *["Longitude"] * 2,
        "Height",
        "Diameter",
        *["Count"] * 4,
    ]
    told = capsys.readouterr().err
    assert "north is not a number; write digits, perhaps with N or S behind" in told
    assert "sees no satellite of the belt" in told
    assert "so write -5" in told
    assert "0.5 is not a whole number" in told
    assert "1000 is not below the west end 0" in told


def test_the_demo_station_can_be_planned_and_checked(tmp_path: Path) -> None:
    path = tmp_path / "demo.toml"
    assert demo(path) == 0
    station = load_station(path)
    assert [row.name for row in station.position][:2] == ["Alder", "Birch"]
    assert station.limits is not None
    inside = range(station.limits.east, station.limits.west + 1)
    assert all(row.count in inside for row in station.position)
    with pytest.raises(BadInput, match="already exists"):
        demo(path)
