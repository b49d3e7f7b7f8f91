"""The log as a file: what was written is read back from its columns, in files of any age."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import BadInput
from bridge.log.read_write import HEAD, LogRow, is_log, read_log, write_log
from bridge.log.record import Kind, LogEvent, Record

COUNTS = st.none() | st.integers(-100_000, 100_000)
RECORDS = st.builds(
    Record,
    st.sampled_from(Kind),
    st.none() | st.sampled_from(LogEvent),
    frame=st.sampled_from([b"", bytes.fromhex("E03160"), bytes.fromhex("E0316A07"), bytes(12)]),
    side=st.sampled_from([None, "east", "west"]),
    position=st.none() | st.integers(0, 255),
    expected=COUNTS,
    old_count=COUNTS,
    new_count=COUNTS,
    detail=st.sampled_from(["", "two\twords", "a line\nand another", "ends\r\n", "päron"]),
    count=COUNTS,
)
FIRST_HEAD = "time\tkind\tbytes\tmeaning"  # before counts were kept
SECOND_HEAD = "time\tkind\tbytes\tmeaning\tcount"  # before events had columns


@given(st.lists(RECORDS, max_size=4))
def test_a_log_is_read_back_record_by_record(records: list[Record]) -> None:
    text = write_log(records, epoch_s=0.0)
    assert is_log(text)
    rows = read_log(text, "evening.txt")
    assert [row.row for row in rows] == list(range(2, len(records) + 2))
    for row, record in zip(rows, records, strict=True):
        facts = (row.kind, row.hex, row.count, row.event, row.side, row.position, row.expected)
        assert facts == (
            record.kind,
            record.hex,
            record.count,
            record.event,
            record.side,
            record.position,
            record.expected,
        )
        assert (row.old_count, row.new_count) == (record.old_count, record.new_count)


def test_a_line_holds_its_facts_in_columns_after_the_sentence() -> None:
    records = [
        Record(Kind.SENT, frame=bytes.fromhex("E0316A07"), t_s=100.0, count=480),
        Record(Kind.NOTE, LogEvent.RECOUNT, old_count=60, new_count=45, t_s=101.9, count=60),
        Record(Kind.NOTE, LogEvent.END_SWITCH, side="east", t_s=0.0, count=-2),
        Record(Kind.REST, LogEvent.OFF, position=7, expected=480, t_s=0.0, count=492),
        Record(Kind.NOTE, detail="of\ttwo lines\n", t_s=0.0),
    ]
    epoch_s = time.mktime((2026, 5, 4, 21, 1, 27, 0, 0, -1))  # so that 100 s is 21:03:07 here
    head, *lines = write_log(records, epoch_s=epoch_s).splitlines()
    assert head == (
        "time\tkind\tbytes\tmeaning\tcount\tevent\tside\tposition\texpected\told_count\tnew_count"
    )
    assert [line.split("\t") for line in lines] == [
        [
            "2026-05-04T21:03:07",
            "sent",
            "E0 31 6A 07",
            "Store this place as position 7 and switch the limits on (polar positioner).",
            "480",
            *[""] * 6,
        ],
        [
            "2026-05-04T21:03:08",
            "note",
            "",
            "Call this place count 45; it read 60",
            "60",
            "recount",
            *[""] * 3,
            "60",
            "45",
        ],
        [
            "2026-05-04T21:01:27",
            "note",
            "",
            "Stopped at count -2 going east: voltage but no current and no counts, as at an end "
            "switch (or a broken motor wire); drive west to tell",
            "-2",
            "end switch",
            "east",
            *[""] * 4,
        ],
        [
            "2026-05-04T21:01:27",
            "rest",
            "",
            "At rest at count 492, sent to position 7",
            "492",
            "off",
            "",
            "7",
            "480",
            *[""] * 2,
        ],
        ["2026-05-04T21:01:27", "note", "", "of two lines", *[""] * 7],
    ]


def test_a_log_without_records_is_its_head() -> None:
    assert write_log([], epoch_s=0.0) == f"{HEAD}\n"
    assert read_log(f"{HEAD}\n", "x") == []


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        (HEAD, True),
        (FIRST_HEAD, True),
        (f"\ufeff{SECOND_HEAD}\n", True),
        ("time\tkind\n", False),
        ("", False),
        ("E0 31 60\n", False),
    ],
)
def test_a_log_is_known_by_its_first_columns(text: str, answer: bool) -> None:
    assert is_log(text) is answer


def test_files_saved_before_there_were_columns_are_read() -> None:
    first = read_log(f"{FIRST_HEAD}\n21:03:07\tsent\tE0 31 60\tHalt.\n", "old.txt")
    assert first == [LogRow(2, "21:03:07", "sent", "E0 31 60", "Halt.")]
    second = read_log(f"\ufeff{SECOND_HEAD}\r\nt\tsent\tE0 31 60\tHalt.\t-7\r\n\r\n", "old.txt")
    assert second == [LogRow(2, "t", "sent", "E0 31 60", "Halt.", -7)]


@pytest.mark.parametrize(
    ("line", "facts"),
    [
        # as the console wrote them then
        (
            "note\t\tCall this place count 45; it read -60\t-60",
            {"event": LogEvent.RECOUNT, "old_count": -60, "new_count": 45, "count": -60},
        ),
        (
            "note\t\tCall this place count 45\t",
            {"event": LogEvent.RECOUNT, "new_count": 45},
        ),
        (
            "note\t\tStopped at count -2 going east: voltage but no current and no counts, as at an"
            " end switch (or a broken motor wire); drive west to tell",
            {"event": LogEvent.END_SWITCH, "side": "east", "count": -2},
        ),
        (
            "note\t\tStopped at count 990 going west: voltage but no current and no counts\t991",
            {"event": LogEvent.END_SWITCH, "side": "west", "count": 990},
        ),
        (
            "error\t\tThe adapter restarted (boot 3); check the count\t0",
            {"event": LogEvent.RESTART, "count": 0},
        ),
        ("note\t\tThe adapter restarted (boot 3); check the count\t0", {"count": 0}),
        ("error\t\tCall this place count 45; it read 60\t60", {"count": 60}),
        ("note\t\tCall this place count 45 please\t60", {"count": 60}),
        ("note\t\tStopped going east: voltage but no current and no counts\t", {}),
        ("note\t\tStalled at count 3 going east: high current and no counts\t3", {"count": 3}),
    ],
)
def test_sentences_of_old_files_give_the_facts_they_had(
    line: str, facts: dict[str, object]
) -> None:
    kind, data, meaning = line.split("\t")[:3]
    expected = LogRow(2, "t", kind, data, meaning, **facts)  # type: ignore[arg-type]
    assert read_log(f"{SECOND_HEAD}\nt\t{line}\n", "old.txt") == [expected]


def test_in_a_file_with_columns_no_sentence_is_taken_for_a_fact() -> None:
    line = "t\tnote\t\tCall this place count 45; it read 60\t60"
    (row,) = read_log(f"{HEAD}\n{line}\n", "new.txt")
    assert (row.event, row.new_count) == (None, None)
    both = read_log(f"{SECOND_HEAD}\n{line}\n{HEAD}\n{line}\n", "joined.txt")
    assert [row.event for row in both] == [LogEvent.RECOUNT, None]
    both = read_log(f"{HEAD}\n{line}\n{FIRST_HEAD}\n{line}\n", "joined.txt")
    assert [(row.row, row.event) for row in both] == [(2, None), (4, LogEvent.RECOUNT)]


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (
            "21:03:07\tsent\tE0",
            "holds 3 cells, a line of a log has 4 to 11 (time, kind, bytes, meaning, count, event,"
            " side, position, expected, old_count, new_count), tabulators between; save the log"
            " again",
        ),
        (
            "t\tsent\t\tx" + "\t" * 8,
            "holds 12 cells, a line of a log has 4 to 11 (time, kind, bytes, meaning, count, event,"
            " side, position, expected, old_count, new_count), tabulators between; save the log"
            " again",
        ),
        ("t\tsent\t\tHalt.\tmany", "count: many is not a whole number; correct it"),
        ("t\tsent\t\tHalt.\t4.5", "count: 4.5 is not a whole number; correct it"),
        (
            "t\trest\t\tx\t\t\t\tseven",
            "position: seven is not a whole number; correct it",
        ),
        ("t\trest\t\tx\t\t\tup", "side: up is neither east nor west; correct it"),
        (
            "t\tnote\t\tx\t\tsank",
            "event: sank is none of reached, off, halted, unproved, halt, halt failed, end switch,"
            " stall, no counts, lease, adapter stop, connected, link lost, restart, damaged packet,"
            " no reply, recount, supply, tone, acknowledged; correct it, or read the log with the"
            " release of arcstep that saved it",
        ),
    ],
)
def test_a_line_that_cannot_be_read_is_named_with_its_place(line: str, sentence: str) -> None:
    good = "t\tsent\t\tHalt.\t+7"
    with pytest.raises(BadInput) as caught:
        read_log(f"{HEAD}\n{good}\n{line}\n", "evening.txt")
    assert str(caught.value) == f"evening.txt:3: {sentence}"
