"""The bus among the channels of a capture, and replies and repeats brought together."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from bridge.bus.event import FrameHeard
from bridge.bus.frame import Frame
from bridge.bus.pairing import pair
from bridge.capture.trace import Capture, Edges, Lines, Samples
from bridge.decode.capture_events import read_traffic
from bridge.decode.channels import find_bus
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending, edges_of, samples_of

RATE_HZ = 100e3
SENDING = Sending([bytes.fromhex("E03168FF"), bytes.fromhex("E0316B07")])
ASK, REPLY = bytes.fromhex("E23164"), bytes.fromhex("E480")


def samples(name: str, values: np.ndarray, rate_hz: float = RATE_HZ) -> Samples:
    def chunks() -> Iterator[np.ndarray]:
        yield values.astype(np.float32)

    return Samples(name, rate_hz, 0.0, True, chunks)


def edges(name: str, pairs: list[tuple[float, int]]) -> Edges:
    def chunks() -> Iterator[tuple[np.ndarray, np.ndarray]]:
        yield np.array([t for t, _ in pairs]), np.array([v for _, v in pairs], dtype=np.uint8)

    return Edges(name, 1e-7, 0.0, pairs[-1][0], chunks)


BUS = np.concatenate(list(samples_of(SENDING, RATE_HZ)))
HUM = 13 + 0.3 * np.sin(2 * np.pi * 50 * np.arange(len(BUS)) / RATE_HZ)
WARBLE = np.sin(2 * np.pi * 9_000 * np.arange(len(BUS)) / RATE_HZ)


def serial_line() -> list[tuple[float, int]]:
    """A busy serial line at 9600 baud."""
    rng = np.random.default_rng(5)
    times = np.cumsum(rng.integers(1, 9, 2_000)) / 9600
    return [(0.0, 1), *((float(time_s), n % 2) for n, time_s in enumerate(times))]


def test_the_bus_is_found_among_analogue_channels() -> None:
    traces = (samples("hum", HUM), samples("warble", WARBLE), samples("bus", BUS))
    assert find_bus(Capture("x", traces)).name == "bus"


def test_the_bus_is_found_among_logic_channels() -> None:
    carrier = [(0.0, 0), *edges_of(SENDING)]
    envelope = [(0.0, 1), *((t, n % 2) for mark in SENDING.marks
                            for n, t in enumerate((mark.on_s, mark.off_s)))]  # fmt: skip
    clock = [(n * 1e-3, n % 2) for n in range(400)]
    for bus in (carrier, envelope):
        traces = (edges("clock", clock), edges("serial", serial_line()), edges("bus", bus))
        assert find_bus(Capture("x", traces)).name == "bus"
        heard = [event.hex for event in read_traffic(Capture("x", traces))
                 if isinstance(event, FrameHeard)]  # fmt: skip
        assert heard == ["E0 31 68 FF", "E0 31 6B 07"]


def test_traffic_that_begins_late_is_found_all_the_same() -> None:
    late = np.concatenate((np.full(round(5 * RATE_HZ), 13.0), BUS))
    hum = 13 + 0.01 * np.random.default_rng(1).standard_normal(len(late))
    assert find_bus(Capture("x", (samples("hum", hum), samples("bus", late)))).name == "bus"


def test_a_named_channel_is_taken_as_it_is() -> None:
    capture = Capture("x", (samples("left", BUS), samples("right", HUM)))
    assert [e for e in read_traffic(capture, channel="right") if isinstance(e, FrameHeard)] == []
    named = [e for e in read_traffic(capture, channel="1") if isinstance(e, FrameHeard)]
    assert len(named) == 2
    with pytest.raises(CaptureError, match="no channel 'middle'; choose one of: left, right"):
        list(read_traffic(capture, channel="middle"))


def test_a_channel_too_slow_for_the_carrier_is_refused_with_the_next_step() -> None:
    capture = Capture("x.csv", (samples("slow", HUM, rate_hz=8000.0),))
    with pytest.raises(CaptureError, match=r"8000 samples a second.*record it faster"):
        list(read_traffic(capture))


def test_hex_text_needs_no_times() -> None:
    lines = Lines("text", lambda: iter([(None, ASK, "x:1"), (None, REPLY, "x:2")]))
    asked, reply = read_traffic(Capture("x", (lines,)))
    assert isinstance(asked, FrameHeard)
    assert isinstance(reply, FrameHeard)
    assert asked.t_s is None
    assert reply.asked == Frame.parse(ASK)
    assert (asked.faults, reply.faults) == ((), ())


def heard(t_s: float, data: bytes) -> FrameHeard:
    return FrameHeard(t_s, tuple(data), (True,) * len(data), len(data) * 13.5e-3)


def codes(frame: object) -> list[str]:
    assert isinstance(frame, FrameHeard)
    return [fault.code for fault in frame.faults]


def test_a_reply_in_time_is_paired() -> None:
    asked, reply = pair([heard(1.0, ASK), heard(1.1, REPLY)])
    assert isinstance(reply, FrameHeard)
    assert (codes(asked), codes(reply)) == ([], [])
    assert reply.of_t_s == 1.0
    assert reply.to_json("x")["of_t_s"] == 1.0
    assert "moved" in reply.meaning.sentence.lower() or reply.meaning.args  # status is read


def test_replies_late_missing_and_unasked_are_told() -> None:
    asked, late = pair([heard(1.0, ASK), heard(1.25, REPLY)])
    assert (codes(asked), codes(late)) == ([], ["reply_late"])
    asked, other = pair([heard(1.0, ASK), heard(1.5, bytes.fromhex("E03160"))])
    assert (codes(asked), codes(other)) == (["reply_missing"], [])
    _, unasked = pair([heard(1.0, bytes.fromhex("E03160")), heard(1.1, REPLY)])
    assert codes(unasked) == ["reply_code"]


def test_a_repeat_knows_its_first_transmission() -> None:
    _, repeat = pair([heard(1.0, bytes.fromhex("E03160")), heard(1.14, bytes.fromhex("E13160"))])
    assert isinstance(repeat, FrameHeard)
    assert repeat.of_t_s == 1.0
    _, other = pair([heard(1.0, bytes.fromhex("E03160")), heard(1.14, bytes.fromhex("E13166"))])
    assert isinstance(other, FrameHeard)
    assert other.of_t_s is None


def test_messages_of_a_single_cable_installation_are_named_as_such() -> None:
    """EN 50494 sends command 5A or 5B, EN 50607 framing 70 to 7F (from memory)."""
    for data in ("E0105A2110", "705A2110"):
        meaning = heard(0.0, bytes.fromhex(data)).meaning
        assert "single-cable" in meaning.name
        assert "not for a positioner" in meaning.sentence
