"""The line that says how far a capture is read."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import pytest

from tui.commands.progress import INTERVAL_S, Progress


class Clock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def line(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Progress, Clock]]:
    """Makes the line of a file, with what stands for a terminal on stderr and on stdout."""

    def make(file: str, share: float, err: bool = True, out: bool = True) -> tuple[Progress, Clock]:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: err)
        monkeypatch.setattr(sys.stdout, "isatty", lambda: out)
        clock = Clock()
        return Progress(file, lambda: share, clock), clock

    return make


def test_it_shows_at_most_every_half_second(line: Any, capsys: pytest.CaptureFixture[str]) -> None:
    progress, clock = line("a.wav", 0.256)
    progress.show(1.0)
    clock.now_s += INTERVAL_S
    progress.show(2.0)
    assert capsys.readouterr() == ("", "")
    clock.now_s += 0.01
    progress.show(1234.56)
    assert capsys.readouterr() == ("", "\ra.wav: 1,234.6 s, 26%\x1b[K")
    progress.show(3.0)
    clock.now_s += INTERVAL_S
    progress.show(3.0)
    assert capsys.readouterr() == ("", "")


def test_standard_input_has_no_end_to_be_near_to(
    line: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    progress, clock = line("-", 0.5)
    clock.now_s += 1.0
    progress.show(2.0)
    assert capsys.readouterr().err == "\r-: 2.0 s\x1b[K"


def test_it_is_taken_away_once_and_only_where_it_stands(
    line: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    progress, clock = line("a.wav", 0.5)
    progress.clear()
    progress.make_room()
    assert capsys.readouterr().err == ""
    clock.now_s += 1.0
    progress.show(2.0)
    progress.make_room()
    progress.clear()
    assert capsys.readouterr().err == "\ra.wav: 2.0 s, 50%\x1b[K\r\x1b[K"


def test_lines_in_a_file_need_no_room(line: Any, capsys: pytest.CaptureFixture[str]) -> None:
    progress, clock = line("a.wav", 0.5, out=False)
    clock.now_s += 1.0
    progress.show(2.0)
    progress.make_room()
    assert capsys.readouterr().err == "\ra.wav: 2.0 s, 50%\x1b[K"


def test_without_a_terminal_there_is_none(line: Any, capsys: pytest.CaptureFixture[str]) -> None:
    progress, clock = line("a.wav", 0.5, err=False)
    clock.now_s += 9.0
    progress.show(2.0)
    assert capsys.readouterr().err == ""
