"""What the commands print about the invented demo station, letter for letter.

`demo_station/` holds what a person reads: a change of it is seen in review. Write the files anew
with `ARCSTEP_WRITE_GOLDEN=1 pytest tests/tui/test_demo_station.py`, then read the difference.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path

import pytest

from bridge.errors import ArcstepError
from tui.cli import app

GOLDEN = Path(__file__).parent / "demo_station"
CAPTURES = Path(__file__).parents[2] / "captures_demo"
SHEET = "number;name;longitude_deg;count\n1;Alder;41,2;\n60;Yew;-18,6;857\n2;Birch;35,4;5\n"
LOG = (
    "0.5 E0 31 6A 01\n1.5 E0 31 6B 02\n90.0 E0 31 6A 09\n91.0 E0 31 67\n92.0 E0 31 6B 03\n"
    "92.5 E0 31 60\n93.0 E0 31 6B 01\n190.0 E0 31 68 FD\n"
)

# A name of a file -> the commands whose output it holds, in their order.
RUNS = {
    "plan": ["plan demo.toml", "plan demo.toml --refraction"],
    "plan_json": ["plan demo.toml --json"],
    "check": ["positions check demo.toml", "positions check demo.toml --json"],
    "check_mistakes": [
        "positions import sheet.csv demo.toml",
        "positions check demo.toml",
        "positions check demo.toml --json",
        "positions check broken.toml",
    ],
    "predict": ["positions predict demo.toml", "positions predict few.toml"],
    "export": ["positions export demo.toml", "positions export demo.toml --decimal comma"],
    "import": [
        "positions import sheet.csv demo.toml --dry-run",
        "positions import sheet.csv demo.toml",
        "positions import sheet.csv demo.toml",
        "positions import sheet.csv demo.toml --replace",
        "positions import bad.csv demo.toml",
    ],
    "diff": [
        "positions diff demo.toml demo.toml",
        "positions import sheet.csv demo.toml",
        "positions diff demo.toml.bak demo.toml",
        "positions diff demo.toml.bak demo.toml --json",
        "positions diff demo.toml log.txt",
        "positions diff demo.toml log.txt --json",
        "positions diff log.txt demo.toml",
    ],
    "shift": [
        "positions shift demo.toml 1=104 16=952 east=0:10",
        "positions shift demo.toml 1=104 16=952 east=0:10 --json",
        "positions shift demo.toml 1=104",
        "positions shift demo.toml 1=104 --write",
    ],
    "shift_written": [
        "positions shift demo.toml --undo",
        "positions shift demo.toml 1=104 16=952 east=0:10 --write",
        "positions diff demo.toml.bak demo.toml",
        "positions shift demo.toml --undo 1=5",
        "positions shift demo.toml --undo",
        "positions diff demo.toml.bak demo.toml",
        "positions shift demo.toml 1=294 16=1142 10=809 east=0:200 --write",
    ],
    "shift_twisted": [
        "positions shift demo.toml 1=105 10=618 16=947 east=0 west=1000:1000",
        "positions shift demo.toml 1=105 10=618 16=947 east=0 west=1000:1000 --write",
    ],
    "readings": [
        f"positions shift demo.toml {words}"
        for words in ("1", "1=x", "up=3", "1=2:3", "1=2 1=3", "east=1 EAST=2", "99=5", "")
    ],
    "decode": ["decode {captures}/evening.vcd --audit", "decode {captures}/wet_joint.wav --audit"],
    "decode_csv": ["decode {captures}/repeat_code.txt --csv --audit"],
    "decode_many": ["decode log.txt {captures}/repeat_code.txt", "decode",
                    "decode a b --plot p.svg", "decode - --plot p.svg",
                    "decode log.txt --json --csv"],
    "replay": ["replay log.txt", "replay log.txt --taught", "replay log.txt --taught --fault jam",
               "replay log.txt --taught --json"],
    "encode": ["encode goto 7 , halt", "encode E0 31 68 FF", "encode goto 7 ,", "encode up"],
    "drift": ["drift --rigs 3 --years 0.1", "drift demo.toml --rigs 2 --years 1 --seed 3"],
    "station": [
        "station demo demo.toml",
        "station new new.toml --no-questions",
        "station new new.toml --no-questions",
        "station new worm.toml --mount worm --name Yard --latitude -44.6 --longitude 3.9 --height 5"
        " --diameter 1.2",
        "station new far.toml --latitude 90",
        "plan worm.toml",
    ],
}  # fmt: skip


@pytest.fixture
def yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the demo station, and with other files to hold against it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    app(["station", "demo", "demo.toml"], result_action="return_value")
    text = Path("demo.toml").read_text(encoding="utf-8")
    files = {
        "sheet.csv": SHEET,
        "bad.csv": "number;name;longitude_deg;count\n1;Alder;355;94\n300;;x;9x\n2;Birch\n",
        "log.txt": LOG,
        "broken.toml": text.replace("number = 2\n", "number = 1\n").replace(
            "count = 94\n", 'count = "94"\n'
        ),
        "few.toml": text.partition("\n[[position]]\nnumber = 6")[0],
    }
    for name, content in files.items():
        Path(name).write_text(content, encoding="utf-8")
    return tmp_path


def printed(command: str, capsys: pytest.CaptureFixture[str]) -> str:
    """A command as typed, what it prints, what it complains of, and its exit code."""
    capsys.readouterr()
    words = [word.replace("{captures}", str(CAPTURES)) for word in shlex.split(command)]
    try:
        code = app(words, exit_on_error=False, print_error=False, result_action="return_value")
        complaint = ""
    except ArcstepError as error:
        code, complaint = error.exit_code, f"{error}\n"
    out, err = capsys.readouterr()
    text = f"$ arcstep {command}\n{out}"
    for line in (err + complaint).splitlines():
        text += f"! {line}\n"
    text += f"= {code}\n"
    for folder, name in ((CAPTURES, "{captures}"), (Path.cwd().resolve(), "{folder}")):
        text = text.replace(str(folder), name)
    return text.replace("\r\n", "\n")


@pytest.mark.usefixtures("yard")
@pytest.mark.parametrize("name", RUNS)
def test_what_is_printed(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = "\n".join(printed(command, capsys) for command in RUNS[name])
    golden = GOLDEN / f"{name}.txt"
    if os.environ.get("ARCSTEP_WRITE_GOLDEN"):
        golden.write_text(text, encoding="utf-8")
    assert text == golden.read_text(encoding="utf-8")


def test_no_file_is_left_over() -> None:
    assert {path.stem for path in GOLDEN.iterdir()} == set(RUNS)
