"""A record of the log as the sentence that a person reads, on the screen and in the file."""

from __future__ import annotations

from bridge.bus.frame import LONGEST_READ, Frame
from bridge.bus.meaning import meaning_of
from bridge.diagnosis import Standstill, explain
from bridge.log.record import Kind, LogEvent, Record

_STANDSTILLS = {
    LogEvent.END_SWITCH: Standstill.END_SWITCH,
    LogEvent.STALL: Standstill.STALL,
    LogEvent.NO_COUNTS: Standstill.NO_COUNTS,
}


def sentence(record: Record) -> str:
    """One record in words.

    >>> sentence(Record(Kind.SENT, LogEvent.HALT, bytes((0xE0, 0x31, 0x60)), detail="SPACE"))
    'Halt (SPACE)'
    >>> sentence(Record(Kind.SENT, frame=bytes((0xE0, 0x31, 0x68, 0xFF))))
    'Drive east 1 count (polar positioner).'
    """
    detail = record.detail
    match record.event:
        case None:
            return _plain(record)
        case LogEvent.REACHED | LogEvent.OFF | LogEvent.HALTED | LogEvent.UNPROVED:
            return _at_rest(record)
        case LogEvent.END_SWITCH | LogEvent.STALL | LogEvent.NO_COUNTS if record.side is not None:
            return explain(_STANDSTILLS[record.event], record.side, record.count)
        case LogEvent.HALT:
            return f"Halt ({detail})"
        case LogEvent.HALT_FAILED:
            return f"Halt could not be sent: {detail}"
        case LogEvent.LEASE:
            return "The adapter heard nothing from here in time and halted"
        case LogEvent.ADAPTER_STOP:
            return "The adapter has stopped the motor"
        case LogEvent.CONNECTED:
            return f"Connected to adapter {detail}"
        case LogEvent.LINK_LOST:
            return f"{detail}; the adapter halts the motor when its lease runs out"
        case LogEvent.RESTART:
            return f"The adapter restarted (boot {detail}); check the count"
        case LogEvent.DAMAGED:
            return "A damaged packet came from the adapter"
        case LogEvent.NO_REPLY:
            return "No reply; a one-way positioner gives none"
        case LogEvent.RECOUNT:
            before = "" if record.old_count is None else f"; it read {record.old_count}"
            return f"Call this place count {record.new_count}{before}"
        case LogEvent.SUPPLY:
            return f"Supply {detail}"
        case LogEvent.TONE:
            return f"Continuous tone {detail}"
        case LogEvent.ACKNOWLEDGED:
            return "Cautions acknowledged"
        case _:
            return detail


def _plain(record: Record) -> str:
    """A frame and what it means, or a reason as it was given."""
    if record.kind is Kind.REFUSED:
        return record.detail[:1].upper() + record.detail[1:]
    if not record.frame or record.kind is Kind.ERROR:
        return record.detail
    if len(record.frame) > LONGEST_READ:
        return f"{len(record.frame)} bytes: too long for a message"
    asked = Frame.parse(record.asked) if record.asked else None
    meaning = meaning_of(Frame.parse(record.frame), asked).sentence
    return f"{meaning} ({record.detail})" if record.detail else meaning


def _at_rest(record: Record) -> str:
    """Where the dish came to rest, and where it was sent."""
    at = "" if record.count is None else f" at count {record.count}"
    place = record.detail or (f"position {record.position}" if record.position else "the reference")
    if record.event is LogEvent.HALTED and record.count is not None and record.expected is not None:
        off = record.count - record.expected
        where = f"{off} west of" if off > 0 else f"{-off} east of" if off < 0 else "on"
        return f"Halted{at}, {where} {place} ({record.expected})"
    return f"At rest{at}, sent to {place}"
