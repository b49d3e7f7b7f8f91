"""The demo captures read as expected, and each tells its story.

The captures are invented: these tests hold the reader to what it said, and the stories to their
words. Proof against the world outside lies elsewhere.
"""

from __future__ import annotations

import copy
import json
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.audit import audit
from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic

FOLDER = Path(__file__).parents[2] / "captures_demo"
# What each story must hold: bytes in order, as they were put on the cable (but for what the
# story spoils), and the codes of the findings.
STORIES = {
    "evening.vcd": (
        "E0 10 38 F3|E0 31 6B 0A|E1 31 6B 0A|E0 10 38 F3|E0 31 6B 0B|E1 31 6B 0B|E2 31 64|E4 E0",
        set(),
    ),
    "never_halted.vcd": ("E0 31 68 00|E0 31 60|E0 31 69 00", {"never_halted"}),
    "repeat_code.txt": (
        "E0 31 60" + 6 * "|E0 31 69 FF" + "|E0 31 6A 0A",
        {"repeat_code", "no_times"},
    ),
    "short_quiet.csv": ("E0 31 6B 08", {"short_quiet"}),
    "tone_left_on.wav": (
        "C0 62 D6|E0 31 6B 0C",
        {"tone_left_on", "short_quiet", "parity", "left_over_bits"},
    ),
    "wet_joint.wav": ("E0 31 78 FF|E1 31 68 FF", {"parity"}),
    "sag.csv": ("E0 31 6B 03|E1 31 6B 03", {"supply_sags"}),
    "goto_not_heard.vcd": ("E0 31 60|E0 31 6B 07|E2 31 64|E4 E0", {"short_quiet"}),
    "two_masters.vcd": ("E0 31 6B 0A|E0 31 6B 05|E0 31 6B 0A", {"two_senders"}),
    "soundcard.wav": ("E0 31 6B 06|E2 31 64|E4 50", set()),
}
NEAR = {"abs": 2e-6, "rel": 1e-6}  # s, and of a value: what another processor may round elsewise


def read_again(path):
    """Events, then findings, as JSON objects."""
    events = list(read_traffic(open_capture(str(path))))
    told = [event.to_json(path.name) for event in events]
    return told, [finding.to_json(path.name) for finding in audit(events)]


def expected_of(path):
    lines = path.with_name(f"{path.stem}.expected.jsonl").read_text("utf-8").splitlines()
    objects = [json.loads(line) for line in lines]
    findings = [item for item in objects if item["kind"] == "finding"]
    return [item for item in objects if item["kind"] != "finding"], findings


def same_carrier(one, other):
    """A carrier is an estimate: on a 1 us grid a few slots tell it to a thousandth or so."""
    return one == other or (one and other and one == pytest.approx(other, rel=2e-3))


def same(one, other):
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(
            same_carrier(one[key], other[key])
            if key == "carrier_hz"
            else same(one[key], other[key])
            for key in one
        )
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, **NEAR)
    return type(one) is type(other) and one == other


def test_every_capture_has_a_story_and_every_story_a_capture():
    readings = {path.name for path in FOLDER.glob("*.expected.jsonl")}
    assert readings == {f"{Path(name).stem}.expected.jsonl" for name in STORIES}
    captures = {path.name for path in FOLDER.iterdir() if path.suffix in (".vcd", ".csv", ".wav")}
    assert captures | {"repeat_code.txt"} == set(STORIES)
    readme = (FOLDER / "README.md").read_text("utf-8")
    assert all(f"| `{name}` |" in readme for name in STORIES)
    assert all((FOLDER / name).stat().st_size < 300_000 for name in STORIES)


@pytest.mark.parametrize("name", STORIES)
def test_events_and_findings_are_the_expected_ones(name):
    events, findings = read_again(FOLDER / name)
    expected_events, expected_findings = expected_of(FOLDER / name)
    assert same(events, expected_events), (events, expected_events)
    assert same(findings, expected_findings), (findings, expected_findings)


@pytest.mark.parametrize("name", STORIES)
def test_the_story_is_in_it(name):
    data, codes = STORIES[name]
    events, findings = read_again(FOLDER / name)
    assert "|".join(item["hex"] for item in events if item["kind"] == "frame") == data
    assert {item["code"] for item in findings} == codes


def test_steps_sent_twice_are_found_each_time():
    _, findings = read_again(FOLDER / "repeat_code.txt")
    assert [item["t_s"] for item in findings if item["code"] == "repeat_code"] == [
        20 * 3600 + 14 * 60 + second + 0.274 for second in (7, 9, 11)
    ]


@pytest.mark.parametrize(
    ("key", "value"), [("t_s", 0.0551), ("hex", "E0 31 6B 09"), ("parity_ok", [True] * 3)]
)
def test_a_changed_expectation_fails(key, value):
    events, findings = read_again(FOLDER / "short_quiet.csv")
    expected, expected_findings = expected_of(FOLDER / "short_quiet.csv")
    changed = copy.deepcopy(expected)
    frame = next(item for item in changed if item["kind"] == "frame")
    assert frame[key] != value
    frame[key] = value
    assert same(events, expected)
    assert not same(events, changed)
    assert not same(findings, expected_findings[1:])


def test_made_again_they_read_the_same(tmp_path):
    subprocess.run(
        [sys.executable, str(FOLDER / "make.py"), str(tmp_path)],
        check=True,
        timeout=60,
        cwd=FOLDER.parent,
    )
    for name in STORIES:
        ours, again = FOLDER / name, tmp_path / name
        assert ours.stat().st_size == again.stat().st_size
        if ours.suffix in (".vcd", ".txt"):  # no sines in them: the same bytes anywhere
            assert ours.read_bytes() == again.read_bytes()
        assert all(map(same, expected_of(ours), expected_of(again)))
