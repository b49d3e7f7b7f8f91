"""What logs of all kinds say was done: the same acts whether saved, decoded or captured."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.bus.event import FrameHeard
from bridge.capture.open import open_capture
from bridge.decode.capture_events import read_traffic
from bridge.errors import BadInput
from bridge.log.actions import Action, actions_of_events, actions_of_text
from bridge.log.read_write import HEAD

# Bytes from the command table of the bus (EUTELSAT, from memory): 6A store, 6B goto, 66 and 67
# limits, 63 limits off, 68 drive, 60 halt, 6F recalculate, 00 reset.
TRAFFIC = {
    "E0 31 6A 07": Action("store", "", number=7),
    "E1 31 6B 07": Action("goto", "", number=7),
    "E0 30 66": Action("limit", "", side="east"),
    "E0 31 67": Action("limit", "", side="west"),
    "E0 31 63": Action("limits off", ""),
    "E0 31 6A 00": Action("limits on", ""),
    "E0 31 68 FF": Action("drive", "", side="east"),
    "E0 31 60": Action("halt", ""),
    "E0 31 6F 01": Action("recalculate", ""),
    "E0 00 00": Action("reset", ""),
}
OTHERS = ["E0 10 38 F0", "E0 32 6A 07", "E0 31 6A"]  # switch, elevation positioner, broken off


def bare(actions: tuple[Action, ...]) -> list[Action]:
    return [replace(action, at="", line=None) for action in actions]


def test_a_capture_and_its_decoding_give_the_same_acts(tmp_path: Path) -> None:
    path = tmp_path / "evening.hex"
    path.write_text("".join(f"{n}.500 {line}\n" for n, line in enumerate([*TRAFFIC, *OTHERS])))
    events = list(read_traffic(open_capture(str(path))))
    log = actions_of_events(events, "evening.hex")
    assert bare(log.actions) == list(TRAFFIC.values())
    assert log.actions[0].at == "at 0.500 s"
    text = "\n".join(json.dumps(event.to_json("evening.hex")) for event in events)
    decoded = actions_of_text(text, "evening.jsonl")
    assert decoded is not None
    assert bare(decoded.actions) == bare(log.actions)
    assert [action.line for action in decoded.actions] == list(range(1, len(TRAFFIC) + 1))


def test_a_saved_log_gives_them_with_counts() -> None:
    rows = [f"t\tsent\t{data}\twhatever\t{100 + n}" for n, data in enumerate(TRAFFIC)]
    log = actions_of_text("\n".join(["time\tkind\tbytes\tmeaning\tcount", *rows]), "evening.txt")
    assert log is not None
    assert [action.count for action in log.actions] == list(range(100, 100 + len(TRAFFIC)))
    assert [action.at for action in log.actions][:2] == ["line 2", "line 3"]


def test_a_saved_log_gives_what_was_seen_as_well() -> None:
    text = (
        "time\tkind\tbytes\tmeaning\tcount\n"
        "t\trefused\tE0 31 6A 07\tnothing was sent\t5\n"
        "t\trest\t\tAt rest at count 480, sent to position 7\t480\n"
        "t\tnote\t\tCall this place count 45; it read 60\t60\n"
        "t\tnote\t\tStopped at count -2 going east: voltage but no current and no counts\t-2\n"
        "t\terror\t\tThe adapter restarted (boot 3); check the count\t0\n"
        "t\tsent\tE2 31 64\tAsk\t0\n"
        "t\treply\tE4 01\tPositioner status: position reference lost.\t0\n"
    )
    log = actions_of_text(text, "evening.txt")
    assert log is not None
    assert bare(log.actions) == [
        Action("rest", "", count=480),
        Action("recount", "", count=60, new_count=45),
        Action("end", "", side="east", count=-2),
        Action("restart", "", count=0),
        Action("reference lost", "", count=0),
    ]


def test_a_frame_with_lost_bytes_is_counted_not_guessed() -> None:
    line = {"kind": "frame", "hex": "E0 31 6A ??", "parity_ok": [True, True, True, False]}
    log = actions_of_text(json.dumps(line | {"t_s": 1.0}), "x.jsonl")
    assert log is not None
    assert (log.actions, log.unreadable) == ((), 1)


@pytest.mark.parametrize("line", ['{"kind": "frame"}', '{"kind": "frame", "hex": 3}', "plain"])
def test_a_line_that_is_no_decoding_is_told(line: str) -> None:
    good = json.dumps({"kind": "tone", "t_s": 0.0, "on": True})
    with pytest.raises(BadInput, match=r"x\.jsonl:2: is no line of decode --json"):
        actions_of_text(f"{good}\n{line}\n", "x.jsonl")


def test_another_text_is_neither() -> None:
    assert actions_of_text("E0 31 60\n", "x.hex") is None
    assert actions_of_text('{"position": 3}\n', "x.json") is None


def heard(
    data: str, *, parity_ok: bool = True, lost: int = 0, t_s: float | None = 1.5
) -> FrameHeard:
    values = (*bytes.fromhex(data), *[None] * lost)
    return FrameHeard(t_s, values, (*[True] * (len(values) - 1), parity_ok))


def test_frames_of_a_capture_that_are_not_whole_are_counted() -> None:
    log = actions_of_events([heard("E0316A07")], "evening.wav")
    assert (log.where, log.unreadable) == ("evening.wav", 0)
    assert log.actions == (Action("store", "at 1.500 s", number=7),)
    events = [
        heard("E0316A07", parity_ok=False),
        heard("E0316A", lost=1),
        heard("E03160", t_s=None),
    ]
    log = actions_of_events(events, "evening.wav")
    assert (log.actions, log.unreadable) == ((Action("halt", "without a time"),), 2)


@pytest.mark.parametrize(
    ("data", "parity_ok", "unreadable"),
    [
        ("E0 31 6A 07", [True] * 4, 0),
        ("E0 31 6A 07", [True, True, True, False], 1),
        ("E0 31 6A ??", [True] * 4, 1),
    ],
)
def test_frames_of_a_decoding_that_are_not_whole_are_counted(
    data: str, parity_ok: list[bool], unreadable: int
) -> None:
    line = json.dumps({"kind": "frame", "hex": data, "parity_ok": parity_ok})
    log = actions_of_text(f"{line}\n\n", "x.jsonl")
    assert log is not None
    assert log.unreadable == unreadable
    assert len(log.actions) == 1 - unreadable


# A status byte answers command 64 alone; its bit 0 says that the reference is lost (Positioner
# Application Note, from memory).
REPLIES = [
    (["E2 31 64", "E4 01"], ["reference lost"]),
    (["E2 31 64", "E4 81"], ["reference lost"]),
    (["E2 31 64", "E4 80"], []),
    (["E2 31 64", "E4"], []),
    (["E2 31 64", "E0 31 60", "E4 01"], ["halt"]),
    (["E2 31 10", "E4 01"], []),
    (["E4 01"], []),
]


@pytest.mark.parametrize(("frames", "kinds"), REPLIES)
@pytest.mark.parametrize("form", ["saved", "decoded"])
def test_a_reply_is_read_with_the_command_before_it(
    frames: list[str], kinds: list[str], form: str
) -> None:
    if form == "saved":
        rows = [f"t\theard\t{data}\twhatever" for data in frames]
        text = "\n".join(["time\tkind\tbytes\tmeaning", *rows])
    else:
        text = "\n".join(json.dumps({"kind": "frame", "hex": data}) for data in frames)
    log = actions_of_text(text, "x")
    assert log is not None
    assert [action.kind for action in log.actions] == kinds


@pytest.mark.parametrize("address", ["00", "30", "31"])
def test_commands_to_a_polar_positioner_are_actions(address: str) -> None:
    line = json.dumps({"kind": "frame", "hex": f"E0 {address} 60", "t_s": 2.0})
    log = actions_of_text(line, "x")
    assert log is not None
    assert log.actions == (Action("halt", "at 2.000 s", 1),)


def test_bytes_that_are_no_frame_end_no_question() -> None:
    text = (
        "time\tkind\tbytes\tmeaning\n"
        "t\tsent\tE2 31 64\tAsk\n"
        "t\theard\t00 00 00 00 00 00 00 00 00 00 00 00\ttoo long\n"
        "t\terror\tE0 31 60\twas not sent\n"
        "t\treply\tE4 01\tlost\n"
    )
    log = actions_of_text(text, "x")
    assert log is not None
    assert log.actions == (Action("reference lost", "line 5", 5),)


def test_a_saved_log_gives_each_fact_from_its_column() -> None:
    text = "\n".join(
        [
            HEAD,
            "t\tnote\t\twhatever\t60\trecount\t\t\t\t60\t45",
            "t\tnote\t\twhatever\t-2\tend switch\teast",
            "t\tnote\t\twhatever\t\tend switch\teast",
            "t\tnote\t\twhatever\t3\tstall\teast",
            "t\terror\t\twhatever\t0\trestart",
            "t\trest\t\twhatever\t482\treached\t\t7\t480",
        ]
    )
    log = actions_of_text(text, "evening.txt")
    assert log is not None
    assert log.actions == (
        Action("recount", "line 2", 2, count=60, new_count=45),
        Action("end", "line 3", 3, side="east", count=-2),
        Action("restart", "line 6", 6, count=0),
        Action("rest", "line 7", 7, count=482),
    )
