"""The questions before something real moves: who is asked, and which answer counts."""

from __future__ import annotations

import io

import pytest

from tui.cautions import CAUTIONS, REAL
from tui.commands.confirm import agree, ask


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize(
    ("typed", "agreed"),
    [("clear\n", True), (" CLEAR \n", True), ("yes\n", False), ("\n", False), ("", False)],
)
def test_only_the_word_itself_agrees(monkeypatch, capsys, typed, agreed):
    monkeypatch.setattr("sys.stdin", Terminal(typed))
    assert agree(clear=False) is agreed
    shown = capsys.readouterr().err
    assert shown.startswith(REAL)
    assert shown.endswith("Type clear when people, ladders and hands are clear: ")


def test_all_cautions_are_shown_in_80_columns_even_if_the_option_agrees(monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert agree(clear=True)
    shown = capsys.readouterr().err
    assert shown.count("\n  - ") == len(CAUTIONS)
    for caution in CAUTIONS:
        assert caution in " ".join(shown.split())
    assert all(len(line) <= 80 for line in shown.splitlines())
    assert "Type clear" not in shown


def test_without_a_terminal_nobody_agrees(monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO("clear\n"))
    assert not ask("Sure? ", lambda answer: True)
    assert not agree(clear=False)
    assert "Sure?" not in capsys.readouterr().err
