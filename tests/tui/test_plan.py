"""The plan on a screen, in JSON, and as a picture."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from bridge.errors import YardError
from tui.commands.plan import run
from tui.text_table import cells_of

STATION = """\
[station]
name = "Test Yard"
latitude_deg = 44.60
longitude_deg = 3.90
obstacles = [ { azimuth_deg = [209, 212], elevation_deg = 35 } ]
[dish]
diameter_m = 1.2
[mount]
kind = "linear"
frame_pivot_mm = 520
dish_pivot_mm = 430
retracted_mm = 350
stroke_mm = 560
counts_per_mm = 1.88976
[limits]
east = 45
west = 940
[[position]]
number = 2
name = "A $name$ that is rather too long for any column"
longitude_deg = -18.6
count = 860
[[position]]
number = 1
name = "衛星"
longitude_deg = 41.2
[[position]]
number = 255
name = "Rowan"
longitude_deg = -28.7
[[position]]
number = 4
name = "unplaced"
[[position]]
number = 5
name = "far"
longitude_deg = -178.0
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    file = tmp_path / "yard.toml"
    file.write_text(STATION, encoding="utf-8")
    return file


def test_tables_fit_80_columns(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(path) == 0
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert max(cells_of(line) for line in lines) <= 80
    assert "\x1b" not in out
    assert re.search(r"^  1 衛星 +41\.2E  132\.64 26\.7\d", out, re.MULTILINE)
    assert re.search(r"^  2 A \$name\$ th… +18\.6W .* obstacle$", out, re.MULTILINE)
    assert re.search(r"^  2 A \$name\$ t… +18\.6W +857 +860 +\+3 ", out, re.MULTILINE)
    assert re.search(r"^255 Rowan +28\.7W +942 .* coarse D2 44 beyond$", out, re.MULTILINE)
    assert "reach      44.4E (soft limit) to 28.5W (soft limit)" in out
    assert "255 (Rowan): many positioners hold 99" in err


def test_json_is_the_contract_s(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(path, json=True) == 0
    mount, *rows = map(json.loads, capsys.readouterr().out.splitlines())
    assert list(mount) == [
        "kind",
        "axis_tilt_deg",
        "declination_offset_deg",
        "modified_axis_tilt_deg",
        "modified_declination_offset_deg",
        "reach_east_deg",
        "reach_west_deg",
    ]
    assert [row["number"] for row in rows] == [1, 2, 4, 5, 255]
    for row in rows:
        assert list(row) == [
            "kind",
            "number",
            "name",
            "longitude_deg",
            "azimuth_deg",
            "elevation_deg",
            "range_km",
            "hour_angle_deg",
            "declination_deg",
            "tilt_deg",
            "residual_tilt_deg",
            "goto_angle_hex",
            "count",
            "counts_per_deg",
            "one_db_counts",
            "visible",
            "hidden_by",
            "within_limits",
        ]
    assert (rows[1]["count"], rows[1]["hidden_by"]) == (857, "obstacle")
    assert rows[2]["longitude_deg"] is None
    assert (rows[4]["count"], rows[4]["within_limits"]) == (942, False)


def test_a_station_with_nothing_but_a_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bare.toml"
    path.write_text("[station]\nlatitude_deg = -10\nlongitude_deg = -179.5\n")
    assert run(path) == 0
    assert "lists no positions yet" in capsys.readouterr().out
    path.write_text(path.read_text() + '[[position]]\nnumber=1\nname="A"\nlongitude_deg=170')
    assert run(path) == 0
    out = capsys.readouterr().out
    assert "no [mount], so no counts" in out
    assert "10.0000S 179.5000W" in out
    with pytest.raises(YardError, match="no such file"):
        run(tmp_path / "none.toml")


def test_a_picture_is_announced_and_the_plan_printed_all_the_same(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("matplotlib", reason="the plot extra is not installed")
    drawn: list[Path] = []
    monkeypatch.setattr(
        "tui.pictures.belt.draw_plan", lambda _station, _plan, out: drawn.append(out)
    )
    assert run(path, plot=tmp_path / "p.svg") == 0
    out, err = capsys.readouterr()
    assert drawn == [tmp_path / "p.svg"]
    assert err.splitlines()[-1] == f"arcstep: picture written to {tmp_path / 'p.svg'}"
    assert run(path) == 0
    assert capsys.readouterr().out == out
    assert len(drawn) == 1
