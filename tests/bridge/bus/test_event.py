"""Events of the bus and the objects that `decode --json` prints for them."""

from __future__ import annotations

import pytest

from bridge.bus.event import Burst, Fault, FrameHeard, Noise, Supply, Tone
from bridge.bus.frame import Frame, Head
from bus_events import heard


def lost(*byte_values: int | None) -> FrameHeard:
    return FrameHeard(1.0, byte_values, tuple(byte is not None for byte in byte_values))


def test_a_frame_as_an_object():
    event = heard(
        "E1 31 68 FF",
        1.23456789,
        duration_s=0.0530000049,
        faults=(Fault("notch", "at 3 ms"),),
        supply_v=13.128,
        carrier_hz=22000.06,
        of_t_s=1.00000004,
    )
    assert event.to_json("a.wav") == {
        "file": "a.wav",
        "t_s": 1.2345679,
        "kind": "frame",
        "hex": "E1 31 68 FF",
        "parity_ok": [True, True, True, True],
        "duration_s": 0.053,
        "role": "command",
        "repeat": True,
        "reply_wanted": False,
        "address": 0x31,
        "command": 0x68,
        "name": "drive east",
        "args": {"counts": 1},
        "meaning": "Repeated: Drive east 1 count (polar positioner).",
        "supply_v": 13.13,
        "carrier_hz": 22000.1,
        "of_t_s": 1.0,
        "faults": [{"code": "notch", "detail": "at 3 ms"}],
    }


def test_a_reply_has_no_address_and_no_command():
    reply = heard("E4 C0 00", 1.0, asked=Frame(0xE2, 0x31, 0x64)).to_json("a.wav")
    assert (reply["role"], reply["address"], reply["command"]) == ("reply", None, None)
    assert reply["meaning"] == "Positioner status: movement completed, soft limits on."


def test_a_frame_of_hex_text_has_no_times():
    event = heard("E2 31 64").to_json("a.txt")
    absent = ("t_s", "duration_s", "supply_v", "carrier_hz", "of_t_s")
    assert [event[key] for key in absent] == [None] * len(absent)
    assert (event["reply_wanted"], event["repeat"]) == (True, False)


@pytest.mark.parametrize(
    ("event", "head", "hex_text", "sentence"),
    [
        (lost(), Head(None), "", "Broken off before its first byte was whole."),
        (lost(None, 0x31, 0x60), Head(None, 0x31, 0x60), "?? 31 60",
         "A byte was not recovered, so it is not interpreted."),
        (lost(0xE1, None, 0x60), Head(0xE1, None, 0x60), "E1 ?? 60",
         "A byte was not recovered, so it is not interpreted."),
        (lost(0xE4, None), Head(0xE4), "E4 ??",
         "A byte was not recovered, so it is not interpreted."),
        (lost(*[0xE0] * 9), Head(0xE0, 0xE0, 0xE0), " ".join(["E0"] * 9),
         "9 bytes: too long for a message."),
        (lost(*[0xE0] * 8, None), Head(0xE0, 0xE0, 0xE0), " ".join(["E0"] * 8) + " ??",
         "A byte was not recovered, so it is not interpreted."),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_shown_as_far_as_it_is_known(event, head, hex_text, sentence):
    assert event.frame is None
    assert (event.head, event.hex) == (head, hex_text)
    assert (event.meaning.name, event.meaning.sentence) == ("unreadable", sentence)
    shown = event.to_json("a.wav")
    assert (shown["address"], shown["command"]) == (head.address, head.command)


@pytest.mark.parametrize("length", [1, 8])
def test_frames_of_1_to_8_bytes_are_read(length):
    assert lost(*[0xE0] * length).frame == Frame.parse(bytes([0xE0] * length))


@pytest.mark.parametrize(
    ("event", "shown"),
    [
        (Burst(1.23456789, "A"), {"kind": "burst", "which": "A"}),
        (Tone(1.23456789, on=True), {"kind": "tone", "on": True}),
        (Supply(1.23456789, 13.128), {"kind": "supply", "volts": 13.13}),
        (Noise(1.23456789, 0.12345678, "no bits"),
         {"kind": "noise", "duration_s": 0.1234568, "detail": "no bits"}),
    ],
)  # fmt: skip
def test_other_events_as_objects(event, shown):
    assert event.to_json("a.wav") == {"file": "a.wav", "t_s": 1.2345679, **shown}
