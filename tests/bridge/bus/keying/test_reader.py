"""Updates on a line's tone to events: what waits, what does not, and what a long tone ends."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest

from bridge.bus.event import Event, FrameHeard, Tone
from bridge.bus.keying.batch import NO_MARKS, MarkColumns
from bridge.bus.keying.mark import Mark, marks_of
from bridge.bus.keying.reader import BusReader, LineEnd, Marks, ToneUpdate

HALT = bytes.fromhex("E03160")
ERROR_S = 40e-6
MESSAGE = marks_of(HALT, 0.02)
OFF_S = MESSAGE[-1].off_s


def shaped(marks: list[Mark], columns: bool) -> Marks:
    if not columns:
        return marks
    on_s, off_s = (np.array([getattr(m, name) for m in marks]) for name in ("on_s", "off_s"))
    return MarkColumns(on_s, off_s, np.full(len(marks), np.nan)) if marks else NO_MARKS


def hexes(events: list[Event]) -> list[str]:
    return [event.hex for event in events if isinstance(event, FrameHeard)]


@pytest.mark.parametrize("columns", [False, True])
def test_a_message_waits_until_six_ms_are_known_to_be_quiet(columns: bool) -> None:
    reader = BusReader(0.0)
    marks = shaped(MESSAGE, columns)
    assert list(reader.push(ToneUpdate(marks, ERROR_S, None, OFF_S + 5.9e-3))) == []
    assert reader.message_since_s == pytest.approx(0.02)
    (frame,) = reader.push(ToneUpdate(shaped([], columns), ERROR_S, None, OFF_S + 6.1e-3))
    assert isinstance(frame, FrameHeard)
    assert (frame.hex, frame.faults) == ("E0 31 60", ())
    assert reader.message_since_s == inf


@pytest.mark.parametrize("columns", [False, True])
@pytest.mark.parametrize("cut", [1, 9, 26])
def test_a_message_may_come_in_two_updates(columns: bool, cut: int) -> None:
    reader = BusReader(0.0)
    first, second = shaped(MESSAGE[:cut], columns), shaped(MESSAGE[cut:], columns)
    events = list(reader.push(ToneUpdate(first, ERROR_S, None, MESSAGE[cut].on_s)))
    events += reader.push(ToneUpdate(second, ERROR_S, None, OFF_S + 1e-3))
    assert events == []
    events += reader.finish(LineEnd(shaped([], columns), OFF_S + 3e-3))
    assert hexes(events) == ["E0 31 60"]


@pytest.mark.parametrize("columns", [False, True])
@pytest.mark.parametrize(("tone_s", "is_over"), [(15e-3, False), (17e-3, True)])
def test_a_long_tone_ends_the_message_before_it(
    columns: bool, tone_s: float, is_over: bool
) -> None:
    """Burst A lasts 12.5 ms; a tone of more than 16 is no part of any message."""
    reader = BusReader(0.0)
    on_s = OFF_S + 3e-3
    update = ToneUpdate(shaped(MESSAGE, columns), ERROR_S, on_s, on_s + tone_s)
    events = list(reader.push(update))
    assert hexes(events) == (["E0 31 60"] if is_over else [])
    assert [event for event in events if isinstance(event, Tone)] == (
        [Tone(on_s, True)] if is_over else []
    )


@pytest.mark.parametrize("columns", [False, True])
def test_the_end_of_a_line_ends_its_last_marks(columns: bool) -> None:
    for end_s, at_last_edge, codes in (
        (OFF_S, False, ["cut_off"]),
        (OFF_S, True, []),
        (OFF_S + 3e-3, False, []),
        (None, False, []),
    ):
        reader = BusReader(0.0)
        (frame,) = reader.finish(LineEnd(shaped(MESSAGE, columns), end_s, at_last_edge))
        assert isinstance(frame, FrameHeard)
        assert [fault.code for fault in frame.faults] == codes


@pytest.mark.parametrize("columns", [False, True])
@pytest.mark.parametrize(("start_s", "codes"), [(0.02, ["cut_off"]), (0.0199, [])])
def test_a_message_with_which_the_capture_begins_is_cut_off(
    columns: bool, start_s: float, codes: list[str]
) -> None:
    reader = BusReader(start_s)
    update = ToneUpdate(shaped(MESSAGE, columns), ERROR_S, None, OFF_S + 20e-3)
    (frame,) = reader.push(update)
    assert isinstance(frame, FrameHeard)
    assert [fault.code for fault in frame.faults] == codes


def test_messages_in_a_batch_know_of_each_other() -> None:
    """14 ms of quiet are short of the 15 asked for; both ways of reading see it."""
    later = marks_of(HALT, OFF_S + 14e-3)
    last = marks_of(HALT, later[-1].off_s + 30e-3)
    marks = shaped([*MESSAGE, *later, *last], True)
    reader = BusReader(0.0)
    events = list(reader.push(ToneUpdate(marks, ERROR_S, None, last[-1].off_s + 10e-3)))
    assert [[f.detail for f in e.faults] for e in events if isinstance(e, FrameHeard)] == [
        [],
        ["14.00 ms of quiet before it, 15 ms asked for"],
        [],
    ]
