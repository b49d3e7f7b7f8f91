"""Files of pictures: which kinds, the same bytes from the same figure, and without matplotlib."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import BadInput
from tui.pictures.figure import new_figure, save_figure


def small(out: Path) -> Any:
    pytest.importorskip("matplotlib", reason="the plot extra is not installed")
    figure = new_figure(out, (2.0, 1.0))
    figure.subplots().set_title("belt of Larkmere")
    return figure


@pytest.mark.parametrize(
    ("kind", "head"), [("svg", b"<?xml"), ("PNG", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_each_kind_is_written_whole_and_the_same_each_time(
    tmp_path: Path, kind: str, head: bytes
) -> None:
    out = tmp_path / f"plan.{kind}"
    save_figure(small(out), out)
    first = out.read_bytes()
    assert first.startswith(head)
    save_figure(small(out), out)
    assert out.read_bytes() == first
    assert os.listdir(tmp_path) == [out.name]  # no backup of a picture


def test_text_of_an_svg_can_be_searched_and_holds_no_date(tmp_path: Path) -> None:
    out = tmp_path / "plan.svg"
    save_figure(small(out), out)
    text = out.read_text(encoding="utf-8")
    assert ">belt of Larkmere</text>" in text
    assert "<dc:date>" not in text


def test_a_picture_is_as_large_as_asked_for(tmp_path: Path) -> None:
    out = tmp_path / "plan.png"
    save_figure(small(out), out)
    width, height = (int.from_bytes(out.read_bytes()[at : at + 4], "big") for at in (16, 20))
    assert (width, height) == (240, 120)  # 2 by 1 inches of 120 dots (PNG, header IHDR)
    assert tuple(new_figure(out).get_size_inches()) == (9.0, 9.0)


@pytest.mark.parametrize("name", ["plan.gif", "plan", "svg"])
def test_no_other_kind(tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    with pytest.raises(BadInput) as refused:
        new_figure(out)
    assert str(refused.value) == (
        f"{out}: a picture is written as .svg, .png, .pdf, not '{out.suffix}'; choose one"
    )


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    out = tmp_path / "nowhere" / "plan.svg"
    with pytest.raises(BadInput, match="nowhere does not exist; make it or choose another"):
        save_figure(small(out), out)


def test_without_matplotlib_it_says_what_to_install(tmp_path: Path) -> None:
    code = (
        "import sys; sys.modules['matplotlib.figure'] = None\n"
        "from pathlib import Path; from tui.pictures.figure import new_figure\n"
        "from bridge.errors import BadInput\n"
        "try: new_figure(Path('p.svg'))\n"
        "except BadInput as error: print(error)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == (
        "--plot needs matplotlib, which is not installed; install it with the plot extra: pip"
        " install 'arcstep[plot]'\n"
    )
