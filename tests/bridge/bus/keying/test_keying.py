"""From stretches of tone to messages, and the faults of those that are not in order."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import Burst, Event, FrameHeard, Noise, Tone
from bridge.bus.keying.keying import Keying
from bridge.bus.keying.mark import Mark, marks_of
from bridge.bus.parity import bits_of

HALT = bytes.fromhex("E03160")
BYTES = st.binary(min_size=1, max_size=8).filter(lambda message: message != b"\xff")


def key(marks: list[Mark], end_s: float | None = None) -> list[Event]:
    keying = Keying(start_s=0.0)
    items = [item for mark in marks for item in keying.push(mark)]
    return items + list(keying.finish(end_s))


def one(marks: list[Mark]) -> FrameHeard:
    (frame,) = key(marks)
    assert isinstance(frame, FrameHeard)
    return frame


def codes(frame: FrameHeard) -> set[str]:
    return {fault.code for fault in frame.faults}


def show(data: bytes) -> str:
    return "".join(map(str, bits_of(data)))


@given(BYTES)
def test_what_is_keyed_is_read(sent: bytes) -> None:
    frame = one(marks_of(sent, start_s=0.02))
    assert frame.byte_values == tuple(sent)
    assert all(frame.parity_ok)
    assert frame.faults == ()
    assert frame.t_s == 0.02


@given(BYTES, st.data())
def test_slots_anywhere_within_the_standard_are_read_right(
    sent: bytes, data: st.DataObject
) -> None:
    slot = st.floats(0.401e-3, 0.599e-3)
    marks, at_s = [], 0.02
    for bit in bits_of(sent):
        slots = data.draw(st.tuples(slot, slot, slot))
        marks.append(Mark(at_s, at_s + sum(slots[: 2 - bit])))
        at_s += sum(slots)
    message = one(marks)
    assert message.bits == show(sent)
    assert not {"slot_timing", "notch", "pulse", "missing_bits"} & codes(message)


def test_a_lost_bit_makes_one_byte_unreadable_and_no_other() -> None:
    marks = marks_of(bytes.fromhex("E03168FF"), 0.02)
    del marks[12]
    heard = one(marks)
    assert heard.hex == "E0 ?? 68 FF"
    assert heard.parity_ok == (True, False, True, True)
    assert "missing_bits" in {fault.code for fault in heard.faults}
    assert heard.frame is None


def test_bits_broken_off_are_counted_and_shown() -> None:
    heard = one(marks_of(HALT, 0.02)[:23])
    assert heard.hex == "E0 31"
    (fault,) = heard.faults
    assert fault.code == "left_over_bits"
    assert fault.detail.startswith("5 bits")


def test_a_parity_error_keeps_the_byte_and_says_so() -> None:
    marks = marks_of(HALT, 0.02)
    marks[3] = replace(marks[3], off_s=marks[3].on_s + 0.5e-3)  # a 0 turned into a 1
    heard = one(marks)
    assert heard.hex == "F0 31 60"
    assert heard.parity_ok == (False, True, True)
    assert [fault.code for fault in heard.faults][-1] == "parity"


@pytest.mark.parametrize(("hole_s", "code"), [(0.06e-3, "notch"), (0.3e-3, "notch")])
def test_a_hole_in_tone_is_a_fault(hole_s: float, code: str) -> None:
    marks = marks_of(HALT, 0.02)
    wide = marks[4]
    middle_s = (wide.on_s + wide.off_s) / 2
    parts = [replace(wide, off_s=middle_s), replace(wide, on_s=middle_s + hole_s)]
    message = one([*marks[:4], *parts, *marks[5:]])
    assert message.bits == show(HALT)
    assert codes(message) == {code}


def test_a_pulse_in_quiet_is_a_fault() -> None:
    marks = marks_of(HALT, 0.02)
    at_s = marks[1].off_s + 0.45e-3
    message = one([*marks[:2], Mark(at_s, at_s + 0.05e-3), *marks[2:]])
    assert message.bits == show(HALT)
    assert codes(message) == {"pulse"}


def test_a_pulse_in_the_middle_of_a_single_slot_of_quiet_joins_nothing() -> None:
    marks = marks_of(HALT, 0.02)
    at_s = marks[4].off_s + 0.17e-3  # after a 0
    message = one([*marks[:5], Mark(at_s, at_s + 0.16e-3), *marks[5:]])
    assert message.bits == show(HALT)
    assert codes(message) == {"pulse"}


def test_a_slot_out_of_bounds_is_a_fault_with_measured_and_allowed() -> None:
    marks = marks_of(HALT, 0.02)
    marks[0] = replace(marks[0], off_s=marks[0].on_s + 0.66e-3)
    (fault,) = [f for f in one(marks).faults if f.code == "slot_timing"]
    assert "0.66 ms" in fault.detail
    assert "0.4 to 0.6 ms" in fault.detail


def test_bursts_and_tone() -> None:
    a = Mark(0.02, 0.0325)
    b = marks_of(b"\xff", 0.06)
    tone = Mark(0.1, 0.2)
    items = key([a, *b, tone])
    assert items == [Burst(0.02, "A"), Burst(0.06, "B"), Tone(0.1, True), Tone(0.2, False)]


def test_a_tone_still_on_is_an_event_at_once() -> None:
    keying = Keying()
    assert list(keying.hold(1.0, 1.010)) == []
    assert list(keying.hold(1.0, 1.020)) == [Tone(1.0, True)]
    assert list(keying.hold(1.0, 1.030)) == []
    assert list(keying.push(Mark(1.0, 1.5))) == [Tone(1.5, False)]


def test_quiet_shorter_than_asked_is_a_fault() -> None:
    first = marks_of(HALT, 0.02)
    second = marks_of(HALT, first[-1].off_s + 9e-3)
    early, late = key([*first, *second])
    assert isinstance(early, FrameHeard)
    assert isinstance(late, FrameHeard)
    assert codes(early) == set()
    assert codes(late) == {"short_quiet"}


@pytest.mark.parametrize(
    ("first", "second", "quiet_s", "two"),
    [
        ("E03160", "E03160", 3.5e-3, True),
        ("E0316B07", "E1316B07", 2.6e-3, True),
        ("E23164", "E4E0", 5.0e-3, True),  # the reply to it, far too soon
        ("E03160", "E03160", 2.0e-3, False),  # a slot may be lengthened so far
        ("E03160", "4AE0", 3.5e-3, False),  # no framing byte begins a message there
        ("E0316B", "E1", 3.5e-3, False),  # a byte of data, late: no message has one byte
    ],
)
def test_two_messages_too_near_are_told_apart(
    first: str, second: str, quiet_s: float, two: bool
) -> None:
    """6 ms without tone end a message (Bus Functional Specification, from memory)."""
    early = marks_of(bytes.fromhex(first), 0.02)
    last = early[-1]
    marks = [*early, *marks_of(bytes.fromhex(second), last.off_s + quiet_s)]
    heard = [item for item in key(marks) if isinstance(item, FrameHeard)]
    details = [fault.detail for frame in heard for fault in frame.faults]
    if not two:
        assert [frame.hex.replace(" ", "") for frame in heard] == [first + second]
        assert any("1.2 ms allowed" in detail for detail in details)
        return
    assert [frame.hex.replace(" ", "") for frame in heard] == [first, second]
    assert [{fault.code for fault in frame.faults} for frame in heard] == [{"short_quiet"}] * 2
    assert all(f"{quiet_s * 1e3:.2f} ms" in detail and "6 ms" in detail for detail in details)


@pytest.mark.parametrize(("bits", "expected"), [(27, set()), (25, {"left_over_bits", "cut_off"})])
def test_the_last_change_written_is_no_break_of_a_whole_message(
    bits: int, expected: set[str]
) -> None:
    """A writer of changes has nothing to write after the last edge (IEEE 1364, value changes)."""
    marks = marks_of(HALT, 0.02)[:bits]
    keying = Keying()
    for mark in marks:
        assert list(keying.push(mark)) == []
    (message,) = keying.finish(marks[-1].off_s, at_last_edge=True)
    assert isinstance(message, FrameHeard)
    assert codes(message) == expected


def test_a_capture_of_samples_that_ends_with_the_tone_cuts_the_message_off() -> None:
    marks = marks_of(HALT, 0.02)
    for end_s, expected in ((0.0, {"cut_off"}), (1.5e-3, set())):
        keying = Keying()
        for mark in marks:
            assert list(keying.push(mark)) == []
        (message,) = keying.finish(marks[-1].off_s + end_s)
        assert isinstance(message, FrameHeard)
        assert codes(message) == expected


def test_six_ms_without_tone_end_a_message() -> None:
    keying = Keying()
    marks = marks_of(HALT, 0.0)
    for mark in marks:
        assert list(keying.push(mark)) == []
    assert list(keying.advance(marks[-1].off_s + 5.9e-3)) == []
    assert len(list(keying.advance(marks[-1].off_s + 6.1e-3))) == 1


def test_carrier_and_level_outside_the_standard_are_faults() -> None:
    marks = [replace(m, carrier_hz=27_500.0, level_vpp=0.2) for m in marks_of(HALT, 0.02)]
    assert codes(one(marks)) == {"carrier_off", "level_off"}


def test_a_bit_in_doubt_is_turned_where_the_parity_asks_for_it() -> None:
    marks = [
        replace(mark, bit=bit, margin=40.0)
        for mark, bit in zip(marks_of(HALT, 0.02), bits_of(HALT), strict=True)
    ]
    marks[4] = replace(marks[4], bit=1, margin=2.0)
    heard = one(marks)
    assert heard.hex == "E0 31 60"
    assert "mended" in {fault.code for fault in heard.faults}
    clear = one([*marks[:4], replace(marks[4], margin=30.0), *marks[5:]])
    assert clear.hex == "E8 31 60"
    assert "mended" not in {fault.code for fault in clear.faults}


@given(st.lists(st.tuples(st.floats(1e-6, 0.02), st.floats(1e-6, 0.03)), max_size=60))
def test_any_tone_at_all_gives_something_and_never_fails(spans: list[tuple[float, float]]) -> None:
    marks, at_s = [], 0.0
    for quiet_s, tone_s in spans:
        marks.append(Mark(at_s + quiet_s, at_s + quiet_s + tone_s))
        at_s = marks[-1].off_s
    items = key(marks)
    assert bool(items) == bool(marks)
    for item in items:
        item.to_json("x")
        if isinstance(item, Noise):
            assert item.duration_s >= 0
