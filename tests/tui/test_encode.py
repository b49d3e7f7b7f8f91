"""`arcstep encode`: words and hex to bytes, and to a waveform that decodes back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.errors import ArcstepError
from tui.commands.decode import decode
from tui.commands.encode import encode


@pytest.mark.parametrize(
    ("words", "data"),
    [
        (["drive", "east", "1", "count"], "E0 31 68 FF"),
        (["goto", "7"], "E0 31 6B 07"),
        (["halt"], "E0 31 60"),
        (["E0", "31", "68", "FF"], "E0 31 68 FF"),
        (["e03168ff"], "E0 31 68 FF"),
        (["raw", "E0", "10", "38", "F0"], "E0 10 38 F0"),
    ],
)
def test_words_become_bytes(
    words: list[str], data: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert encode(words) == 0
    assert capsys.readouterr().out.startswith(data)


@pytest.mark.parametrize("suffix", [".wav", ".vcd", ".csv"])
def test_a_waveform_decodes_back(
    suffix: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / f"sent{suffix}"
    assert encode(["goto", "7", ",", "halt"], out=path) == 0
    capsys.readouterr()
    assert decode([str(path)], json=True) == 0
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    frames = [event for event in events if event["kind"] == "frame"]
    assert [frame["hex"] for frame in frames] == ["E0 31 6B 07", "E0 31 60"]
    assert [frame["faults"] for frame in frames] == [[], []]


@pytest.mark.parametrize("words", [[], ["goto"], ["fly", "north"], ["halt", ","]])
def test_nonsense_is_refused(words: list[str]) -> None:
    with pytest.raises(ArcstepError):
        encode(words)
