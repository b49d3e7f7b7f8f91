"""The command line itself: what is no command, exit codes, and what is imported for help."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tui.cli import app, main


def left(words: list[str]) -> int:
    """The exit code of a command line."""
    with pytest.raises(SystemExit) as done:
        main(words)
    return int(done.value.code or 0)


@pytest.fixture(autouse=True)
def signals_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    """Run `main` without its handlers of signals, which are those of a whole process."""
    monkeypatch.setattr("signal.signal", lambda *_: None)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["plna"], "'plna' is no command and no file; did you mean plan?"),
        (["plna", "yard.toml"], "'plna' is no command and no file; did you mean plan?"),
        (["xyzzy"], "'xyzzy' is no command and no file; see arcstep --help"),
        (["none.toml"], "none.toml: no such file; check the name"),
        (["plan", "a", "b"], "plan takes no more arguments; leave out b; see arcstep --help"),
        (["a.toml", "b"], "console takes no more arguments; leave out b; see arcstep --help"),
        (
            ["positions", "diff", "a", "--jsn"],
            'Invalid value "--jsn" for AFTER. --jsn is no option; see arcstep --help',
        ),
        (
            ["plan"],
            'Command "plan" parameter STATION requires an argument; see arcstep --help',
        ),
    ],
)
def test_a_wrong_command_line_is_one_sentence_and_code_2(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert left(words) == 2
    assert capsys.readouterr() == ("", f"arcstep: {says}\n")


def test_a_file_without_a_suffix_may_be_a_station(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "yard"
    path.write_text("[station]\n")
    assert left([str(path)]) == 2
    assert capsys.readouterr().err.startswith(f"arcstep: {path}:1: station.latitude_deg: is miss")


def test_the_code_of_a_command_is_that_of_the_program(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert left(["station", "demo", str(tmp_path / "a.toml")]) == 0
    (tmp_path / "reply.txt").write_text("E4 80\n")
    assert left(["replay", str(tmp_path / "reply.txt")]) == 1
    capsys.readouterr()


def test_an_interrupt_leaves_with_130(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupt(*_: object, **__: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("tui.commands.encode.encode", interrupt)
    assert left(["encode", "halt"]) == 130
    assert capsys.readouterr() == ("", "arcstep: interrupted\n")


def test_help_imports_no_command_and_nothing_heavy() -> None:
    code = (
        "import sys; from tui.cli import app; app(['--help'], result_action='return_value');"
        "print(*sorted(m for m in sys.modules if m.split('.')[0] in"
        " ('numpy', 'pydantic', 'textual', 'matplotlib', 'serial', 'tomlkit', 'sim')"
        " or m.startswith('tui.commands')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    lines = done.stdout.splitlines()
    assert lines[-1] == ""
    assert lines[0] == "Usage: arcstep COMMAND [OPTIONS] [ARGS]"


def test_every_command_has_a_sentence_of_help() -> None:
    def apps(node: object) -> list[object]:
        inner = [node[name] for name in node if not name.startswith("-")]  # type: ignore[index,attr-defined]
        return [node, *(each for child in inner for each in apps(child))]

    for each in apps(app):
        assert each.help.strip(), each.name  # type: ignore[attr-defined]
