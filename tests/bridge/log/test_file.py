"""The log as a file: what was written is read back, and what was seen is found in its words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.command import Drive, Goto, Halt, Store
from bridge.diagnosis import Standstill, explain
from bridge.errors import BadInput
from bridge.helm.outcome import Arrival, end_of, recount_of, recount_words
from bridge.helm.snapshot import LogLine
from bridge.log.file import is_log, read_log, write_log

COUNTS = st.integers(-100_000, 100_000)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["sent", "heard", "reply", "rest", "note", "refused", "error"]),
            st.binary(max_size=6),
            st.text(max_size=60),
            st.none() | COUNTS,
        )
    )
)
def test_a_log_is_read_back_line_by_line(
    told: list[tuple[str, bytes, str, int | None]],
) -> None:
    lines = [
        LogLine(seq, 10.0 + seq, kind, data.hex(" ").upper(), meaning, count)  # type: ignore[arg-type]
        for seq, (kind, data, meaning, count) in enumerate(told, 1)
    ]
    text = write_log(lines)
    assert is_log(text)
    kept = read_log(text, "evening.txt")
    assert [(k.row, k.kind, k.hex, k.count) for k in kept] == [
        (line.seq + 1, line.kind, line.hex, line.count) for line in lines
    ]
    # blanks of any kind are one blank, so that a line stays a line
    assert [k.meaning for k in kept] == [" ".join(line.meaning.split()) for line in lines]


def test_a_log_without_counts_is_read_too() -> None:
    text = "time\tkind\tbytes\tmeaning\n21:03:07\tsent\tE0 31 60\tHalt.\n"
    (line,) = read_log(text, "old.txt")
    assert (line.hex, line.count) == ("E0 31 60", None)


@pytest.mark.parametrize(
    ("line", "says"),
    [("21:03:07\tsent", "2 cells"), ("21:03:07\tsent\t\tHalt.\tmany", "many is not a whole")],
)
def test_a_line_that_is_none_is_told_with_its_place(line: str, says: str) -> None:
    text = f"time\tkind\tbytes\tmeaning\tcount\n{line}\n"
    with pytest.raises(BadInput, match=f"evening.txt:2: .*{says}"):
        read_log(text, "evening.txt")


@given(COUNTS, st.none() | COUNTS)
def test_words_of_another_count_are_read_back(count: int, before: int | None) -> None:
    assert recount_of(recount_words(count, before)) == (count, before)


@pytest.mark.parametrize("side", ["east", "west"])
def test_words_of_an_end_are_read_back(side: str) -> None:
    assert end_of(explain(Standstill.END_SWITCH, side, -2)) == (side, -2)  # type: ignore[arg-type]
    assert end_of(explain(Standstill.STALL, side, -2)) is None  # type: ignore[arg-type]


def test_an_arrival_is_told_once_after_it_moved_and_rests() -> None:
    arrival = Arrival()
    arrival.order(Goto(7))
    assert arrival.see(None, "at rest", 500) == ""  # not moving yet
    assert arrival.see("east", "driving east", 490) == ""
    arrival.order(Halt())  # where it rests is still worth telling
    assert arrival.see(None, "coasting to rest", 481) == ""
    assert arrival.see(None, "at rest", 480) == "At rest at count 480, sent to position 7"
    assert arrival.see(None, "at rest", 480) == ""


def test_a_drive_is_no_arrival_and_a_store_changes_nothing() -> None:
    arrival = Arrival()
    arrival.order(Goto(7))
    arrival.order(Store(3))
    arrival.order(Drive("west", counts=5))
    arrival.see("west", "driving west", 481)
    assert arrival.see(None, "at rest", 485) == ""
