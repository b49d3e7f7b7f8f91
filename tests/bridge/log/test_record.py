"""Every kind of record as the sentence a person reads."""

from __future__ import annotations

import pytest

from bridge.bus.frame import LONGEST_READ
from bridge.log.record import Kind, LogEvent, Record
from bridge.log.sentence import sentence

HALT = bytes.fromhex("E03160")
GOTO = bytes.fromhex("E0316B07")


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (Record(Kind.SENT, frame=GOTO), "Go to position 7 (polar positioner)."),
        (
            Record(Kind.SENT, frame=HALT, detail="key released"),
            "Halt the motor (polar positioner). (key released)",
        ),
        (Record(Kind.HEARD, frame=GOTO), "Go to position 7 (polar positioner)."),
        (
            Record(Kind.HEARD, frame=bytes(12)),
            "12 bytes: too long for a message",
        ),
        (
            # b7 movement completed, b0 reference lost (Positioner Application Note, from memory)
            Record(Kind.REPLY, frame=b"\xe4\x81", asked=bytes.fromhex("E23164")),
            "Positioner status: movement completed, position reference lost.",
        ),
        (Record(Kind.REPLY, frame=b"\xe4\x81"), "Reply: no errors, with data 81."),
        (Record(Kind.REFUSED, detail="moved east 0.2 s ago"), "Moved east 0.2 s ago"),
        (Record(Kind.ERROR, detail="there is no port x"), "there is no port x"),
        (Record(Kind.ERROR, frame=GOTO, detail="no answer came"), "no answer came"),
        (Record(Kind.NOTE, detail="as it is"), "as it is"),
        (Record(Kind.SENT, LogEvent.HALT, frame=HALT, detail="SPACE"), "Halt (SPACE)"),
        (
            Record(Kind.ERROR, LogEvent.HALT_FAILED, detail="the port went away"),
            "Halt could not be sent: the port went away",
        ),
        (
            Record(Kind.ERROR, LogEvent.LEASE),
            "The adapter heard nothing from here in time and halted",
        ),
        (Record(Kind.NOTE, LogEvent.ADAPTER_STOP), "The adapter has stopped the motor"),
        (
            Record(Kind.NOTE, LogEvent.CONNECTED, detail="arcstep-1 on sim://larkmere"),
            "Connected to adapter arcstep-1 on sim://larkmere",
        ),
        (
            Record(Kind.ERROR, LogEvent.LINK_LOST, detail="the port x went away"),
            "the port x went away; the adapter halts the motor when its lease runs out",
        ),
        (
            Record(Kind.ERROR, LogEvent.RESTART, detail="7"),
            "The adapter restarted (boot 7); check the count",
        ),
        (Record(Kind.NOTE, LogEvent.DAMAGED), "A damaged packet came from the adapter"),
        (Record(Kind.NOTE, LogEvent.NO_REPLY), "No reply; a one-way positioner gives none"),
        (
            Record(Kind.NOTE, LogEvent.RECOUNT, old_count=60, new_count=45),
            "Call this place count 45; it read 60",
        ),
        (Record(Kind.NOTE, LogEvent.RECOUNT, new_count=0), "Call this place count 0"),
        (Record(Kind.NOTE, LogEvent.SUPPLY, detail="18 V"), "Supply 18 V"),
        (Record(Kind.NOTE, LogEvent.TONE, detail="off"), "Continuous tone off"),
        (Record(Kind.NOTE, LogEvent.ACKNOWLEDGED), "Cautions acknowledged"),
        (
            Record(Kind.NOTE, LogEvent.END_SWITCH, side="east", count=-2),
            "Stopped at count -2 going east: voltage but no current and no counts, as at an end "
            "switch (or a broken motor wire); drive west to tell",
        ),
        (
            Record(Kind.NOTE, LogEvent.STALL, side="west", count=812),
            "Stalled at count 812 going west: high current and no counts; halt, then look what "
            "holds the dish",
        ),
        (
            Record(Kind.NOTE, LogEvent.NO_COUNTS, side="west", count=812),
            "No counts at count 812 while the motor runs west: look at the sensor and its cable, "
            "or at a sheared coupling",
        ),
        (
            Record(Kind.REST, LogEvent.REACHED, position=7, expected=480, count=482),
            "At rest at count 482, sent to position 7",
        ),
        (
            Record(Kind.REST, LogEvent.OFF, position=7, expected=480, count=492),
            "At rest at count 492, sent to position 7",
        ),
        (Record(Kind.REST, LogEvent.UNPROVED, position=0), "At rest, sent to the reference"),
        (
            Record(Kind.REST, LogEvent.UNPROVED, detail="10.5 deg west", count=0),
            "At rest at count 0, sent to 10.5 deg west",
        ),
        (
            Record(Kind.REST, LogEvent.HALTED, position=1, expected=500, count=527),
            "Halted at count 527, 27 west of position 1 (500)",
        ),
        (
            Record(Kind.REST, LogEvent.HALTED, position=1, expected=500, count=499),
            "Halted at count 499, 1 east of position 1 (500)",
        ),
        (
            Record(Kind.REST, LogEvent.HALTED, position=1, expected=500, count=500),
            "Halted at count 500, on position 1 (500)",
        ),
        (
            Record(Kind.REST, LogEvent.HALTED, position=1, count=527),
            "At rest at count 527, sent to position 1",
        ),
        (
            Record(Kind.REST, LogEvent.HALTED, position=1, expected=500),
            "At rest, sent to position 1",
        ),
    ],
)
def test_a_record_has_its_sentence(record: Record, words: str) -> None:
    assert sentence(record) == words


@pytest.mark.parametrize("event", LogEvent)
def test_no_event_is_without_a_sentence(event: LogEvent) -> None:
    assert sentence(Record(Kind.NOTE, event, side="east", detail="x")) not in ("", "x")


def test_a_record_outside_the_buffer_has_no_number_no_time_and_no_count() -> None:
    record = Record(Kind.NOTE)
    assert (record.seq, record.t_s, record.count) == (0, 0.0, None)


def test_a_frame_as_long_as_can_be_read_is_read() -> None:
    longest = bytes.fromhex("E0316B07") + bytes(LONGEST_READ - 4)
    assert sentence(Record(Kind.HEARD, frame=longest)).startswith("Go to position 7 (")
    longer = Record(Kind.HEARD, frame=longest + b"\x00")
    assert sentence(longer) == f"{LONGEST_READ + 1} bytes: too long for a message"
