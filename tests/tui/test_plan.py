"""The plan on a screen, in JSON, and as a picture."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import BadInput, YardError
from tui.commands.plan import run
from tui.text_table import cells_of, fit

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


def test_a_picture_needs_the_extra_and_says_so(path: Path, tmp_path: Path) -> None:
    code = (
        "import sys; sys.modules['matplotlib.figure'] = None\n"
        "from pathlib import Path; from tui.commands.plan import run\n"
        f"run(Path({str(path)!r}), plot=Path({str(tmp_path / 'p.svg')!r}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "needs matplotlib" in done.stderr
    assert "pip install 'arcstep[plot]'" in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "p.svg").exists()


def test_a_picture_of_no_known_kind(path: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"written as \.svg, \.png, \.pdf, not '\.gif'"):
        run(path, plot=tmp_path / "plan.gif")


@pytest.mark.parametrize(
    ("kind", "head"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_pictures(path: Path, tmp_path: Path, kind: str, head: bytes) -> None:
    pytest.importorskip("matplotlib", reason="the plot extra is not installed")
    out = tmp_path / f"plan.{kind}"
    run(path, plot=out)
    first = out.read_bytes()
    assert first.startswith(head)
    if kind == "svg":
        text = first.decode()
        for word in ("Rowan 28.7W", "A $name$ that", "obstacle", "soft limits", "taught", "hidden"):
            assert word in text
    run(path, plot=out)
    assert out.read_bytes() == first
    assert not list(tmp_path.glob("*.bak"))


SITES = [(44.6, 3.9), (-33.9, 179.9), (0.0, 100.5), (81.3, 10.0)]


@pytest.mark.parametrize(("latitude", "longitude"), SITES)
@pytest.mark.parametrize("apart_deg", [0.3, 2.1])
def test_labels_of_a_long_list_do_not_overlap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, latitude: float, longitude: float,
    apart_deg: float,
) -> None:  # fmt: skip
    agg = pytest.importorskip("matplotlib.backends.backend_agg", reason="no plot extra")
    drawn: list[Any] = []
    monkeypatch.setattr("tui.pictures.belt.save_figure", lambda figure, _: drawn.append(figure))
    text = f"[station]\nlatitude_deg = {latitude}\nlongitude_deg = {longitude}\n"
    text += "obstacles = [ { azimuth_deg = [340, 15], elevation_deg = 60 } ]\n"
    text += '[mount]\nkind = "worm"\ncounts_per_deg = 20\nnoon_count = 1200\n'
    for n in range(60):
        east = (longitude + apart_deg * (n - 30) + 180.0) % 360.0 - 180.0
        text += f'[[position]]\nnumber = {n + 1}\nname = "Satellite {n}"\nlongitude_deg = {east}\n'
    path = tmp_path / "long.toml"
    path.write_text(text, encoding="utf-8")
    run(path, plot=tmp_path / "p.png")
    (figure,) = drawn
    agg.FigureCanvasAgg(figure).draw()
    for axes in figure.axes:
        boxes = [label.get_window_extent() for label in axes.texts]
        assert len(boxes) > (30 if latitude < 80 else 2)
        for box, other in pairwise(sorted(boxes, key=lambda box: float(box.x0))):
            assert box.x1 <= other.x0 + 1.0 or box.y1 < other.y0 or other.y1 < box.y0
        frame = axes.get_window_extent()
        for box in boxes:
            assert frame.x0 - 1.0 <= box.x0
            assert box.x1 <= frame.x1 + 1.0
            assert frame.y0 - 1.0 <= box.y0
            assert box.y1 <= frame.y1 + 1.0


def test_the_belt_over_the_equator_passes_the_zenith(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("matplotlib", reason="the plot extra is not installed")
    drawn: list[Any] = []
    monkeypatch.setattr("tui.pictures.belt.save_figure", lambda figure, _: drawn.append(figure))
    path = tmp_path / "equator.toml"
    path.write_text("[station]\nlatitude_deg = 0\nlongitude_deg = 100.5\n")
    run(path, plot=tmp_path / "p.png")
    azimuths, elevations = drawn[0].axes[0].lines[0].get_data()
    for (a, b), (low, high) in zip(pairwise(azimuths), pairwise(elevations), strict=True):
        assert abs(b - a) < 1.0 or min(low, high) > 85.0  # across the sky only overhead


def test_fit_counts_cells() -> None:
    assert fit("衛星放送", 5) == "衛星…"
    assert fit("衛星", 5, right=True) == " 衛星"
    assert fit("a\x1b[31mb", 8) == "a?[31mb "
