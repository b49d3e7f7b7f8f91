"""Samples and edges to events: what is sent is heard, however it comes in, and nothing else."""

from __future__ import annotations

import weakref
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import Burst, Event, FrameHeard, Supply, Tone
from bridge.decode.line_decoder import EdgeDecoder, SampleDecoder
from bridge.signal.waveform import Sending, edges_of, samples_of
from random_search import examples

FRAMES = st.lists(
    st.binary(min_size=1, max_size=6).filter(lambda data: data != b"\xff"),
    min_size=1,
    max_size=3,
)
HALT = bytes.fromhex("E03160")
NEVER_PRESSED = examples(25)


def wave_of(sending: Sending, rate_hz: float) -> np.ndarray:
    return np.concatenate(list(samples_of(sending, rate_hz)))


def hear(
    samples: np.ndarray, rate_hz: float, cuts: Sequence[int] = (), **options: float
) -> list[Event]:
    decoder = SampleDecoder(rate_hz, **options)
    events: list[Event] = []
    for part in np.split(samples, sorted(min(cut, len(samples)) for cut in cuts)):
        events += decoder.push(part)
    return events + list(decoder.finish())


def frames_in(events: list[Event]) -> list[FrameHeard]:
    return [event for event in events if isinstance(event, FrameHeard)]


@given(
    frames=FRAMES,
    rate_hz=st.sampled_from([48e3, 96e3, 100e3, 192e3, 250e3, 1e6]),
    carrier=st.floats(0.81, 1.19),
    slot_s=st.floats(0.44e-3, 0.56e-3),
    volts=st.tuples(st.floats(0.42, 0.88), st.sampled_from([0.0, 13.0, 18.0])),
)
@NEVER_PRESSED
def test_what_is_sent_is_heard(
    frames: list[bytes],
    rate_hz: float,
    carrier: float,
    slot_s: float,
    volts: tuple[float, float],
) -> None:
    level_vpp, supply_v = volts
    carrier_hz = min(22_000 * carrier, 0.46 * rate_hz)
    sending = Sending(frames, supply_v, carrier_hz, level_vpp, slot_s)
    heard = frames_in(hear(wave_of(sending, rate_hz), rate_hz, volts=True))
    assert [bytes(byte or 0 for byte in frame.byte_values) for frame in heard] == frames
    for frame, start_s in zip(heard, sending.starts_s, strict=True):
        assert frame.t_s == pytest.approx(start_s, abs=0.1e-3)
        assert all(frame.parity_ok)
        assert [fault.code for fault in frame.faults if fault.code != "short_quiet"] == []
        assert frame.carrier_hz == pytest.approx(carrier_hz, rel=0.01)
        assert frame.supply_v == (pytest.approx(supply_v, abs=0.1) if supply_v else None)


@given(frames=FRAMES, cuts=st.lists(st.integers(0, 30_000), max_size=12))
@NEVER_PRESSED
def test_any_chunking_gives_the_same_events(frames: list[bytes], cuts: list[int]) -> None:
    rate_hz = 100e3
    noise = np.random.default_rng(len(cuts)).standard_normal(40_000).astype(np.float32)
    wave = wave_of(Sending(frames), rate_hz)
    wave = wave + 0.03 * noise[: len(wave)]
    assert hear(wave, rate_hz, cuts, volts=True) == hear(wave, rate_hz, volts=True)


@given(frames=FRAMES, cuts=st.lists(st.integers(0, 4_000), max_size=12), inverted=st.booleans())
@NEVER_PRESSED
def test_edges_in_any_chunks_give_what_was_sent(
    frames: list[bytes], cuts: list[int], inverted: bool
) -> None:
    sending = Sending(frames)
    edges = [(0.0, 0), *edges_of(sending)]
    times = np.array([time_s for time_s, _ in edges])
    levels = np.array([level for _, level in edges], dtype=np.uint8) ^ np.uint8(inverted)
    decoder = EdgeDecoder(end_s=sending.length_s)
    events: list[Event] = []
    places = sorted(min(cut, len(times)) for cut in cuts)
    for part, part_levels in zip(np.split(times, places), np.split(levels, places), strict=True):
        events += decoder.push(part, part_levels)
    heard = frames_in(events + list(decoder.finish()))
    assert [bytes(byte or 0 for byte in frame.byte_values) for frame in heard] == frames
    for frame, start_s in zip(heard, sending.starts_s, strict=True):
        assert frame.t_s == pytest.approx(start_s, abs=0.05e-3)
        assert frame.faults == ()


@pytest.mark.parametrize("inverted", [False, True])
def test_an_envelope_of_either_sense_is_read(inverted: bool) -> None:
    sending = Sending([HALT, bytes.fromhex("E0316B07")])
    times = np.array([0.0, *(t for mark in sending.marks for t in (mark.on_s, mark.off_s))])
    levels = (np.arange(len(times)) % 2).astype(np.uint8) ^ np.uint8(inverted)
    decoder = EdgeDecoder(end_s=sending.length_s)
    heard = frames_in([*decoder.push(times, levels), *decoder.finish()])
    assert [frame.hex for frame in heard] == ["E0 31 60", "E0 31 6B 07"]


@given(st.integers(0, 2**32 - 1), st.sampled_from(["uniform", "steps", "huge", "zero", "nan"]))
@examples(15)
def test_samples_of_any_kind_never_fail(seed: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(0, 60_000))
    samples = rng.uniform(-1, 1, count).astype(np.float32)
    if kind == "steps":
        samples = np.repeat(samples, rng.integers(1, 400))[:count]
    elif kind == "huge":
        samples *= np.float32(1e30)
    elif kind == "zero":
        samples[:] = 0
    elif kind == "nan":
        samples[rng.random(count) < 0.01] = np.nan
    for event in hear(samples, float(rng.choice([48e3, 100e3, 1e6])), volts=bool(seed % 2)):
        event.to_json("x")


@given(st.integers(0, 2**32 - 1), st.floats(1e-7, 0.02), st.booleans())
@examples(30)
def test_edges_of_any_kind_never_fail(seed: int, usual_s: float, alternate: bool) -> None:
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.exponential(usual_s, int(rng.integers(0, 2_000))))
    levels = np.arange(len(times)) % 2 if alternate else rng.integers(0, 3, len(times))
    decoder = EdgeDecoder()
    for event in [*decoder.push(times, levels.astype(np.uint8)), *decoder.finish()]:
        event.to_json("x")


def test_plain_noise_holds_no_frame() -> None:
    noise = np.random.default_rng(1).standard_normal(30 * 96_000).astype(np.float32)
    assert frames_in(hear(0.2 * noise, 96e3)) == []


@pytest.mark.parametrize(("decibel", "most_wrong"), [(16.0, 0), (14.9, 1)])
def test_frames_among_noise(decibel: float, most_wrong: int) -> None:
    """1 % of frames wrong at 14.9 dB is the goal; an ideal decoder needs 13.8 (computed)."""
    rate_hz, wrong, count = 96e3, 0, 25
    rng = np.random.default_rng(round(decibel * 10))
    for _ in range(count):
        data = bytes([0xE0, *rng.integers(0, 256, 3).tolist()])
        carrier_hz = rng.uniform(17_600, 26_400)
        wave = wave_of(Sending([data], 0.0, carrier_hz), rate_hz)
        deviation = np.sqrt(0.325**2 * 0.5e-3 * rate_hz / 4 / 10 ** (decibel / 10))
        noise = deviation * rng.standard_normal(len(wave))
        heard = frames_in(hear((wave + noise).astype(np.float32), rate_hz))
        wrong += [frame.byte_values for frame in heard] != [tuple(data)]
    assert wrong <= most_wrong


def test_supply_and_its_changes_are_reported() -> None:
    rate_hz = 100e3
    wave = wave_of(Sending([HALT], 0.0), rate_hz)
    quiet = np.zeros(round(0.2 * rate_hz), dtype=np.float32)
    volts = np.concatenate((13.2 + quiet, 17.7 + quiet, 17.7 + wave, 13.1 + quiet))
    events = hear(volts.astype(np.float32), rate_hz, volts=True)
    supply = [event for event in events if isinstance(event, Supply)]
    assert [round(event.volts, 1) for event in supply] == [13.2, 17.7, 13.1]
    times = [0.0, 0.2, 0.4 + len(wave) / rate_hz]
    assert [event.t_s for event in supply] == pytest.approx(times, abs=2e-3)
    (frame,) = frames_in(events)
    assert frame.supply_v == pytest.approx(17.7, abs=0.05)
    assert [e.t_s for e in events if e.t_s is not None] == sorted(e.t_s or 0.0 for e in events)


def test_a_long_tone_is_followed_without_keeping_its_samples() -> None:
    rate_hz = 100e3
    at_s = np.arange(round(6 * rate_hz)) / rate_hz
    tone = 0.3 * np.sin(2 * np.pi * 21_300 * at_s)
    tone[(at_s < 0.5) | (at_s > 5.25)] = 0
    tone += 0.002 * np.random.default_rng(2).standard_normal(len(tone))
    decoder = SampleDecoder(rate_hz)
    heard: list[tuple[int, Event]] = []
    chunks: list[weakref.ref[np.ndarray]] = []
    for n in range(60):
        chunk = tone[10_000 * n : 10_000 * (n + 1)].astype(np.float32)
        chunks.append(weakref.ref(chunk))
        heard += [(n, event) for event in decoder.push(chunk)]
        assert sum(each() is not None for each in chunks) < 20  # 2 s of samples
    heard += [(60, event) for event in decoder.finish()]
    assert [event.on for _, event in heard if isinstance(event, Tone)] == [True, False]
    assert [event.t_s for _, event in heard] == pytest.approx([0.5, 5.25], abs=0.1e-3)
    assert heard[0][0] < 30  # while it is still on


def test_bursts_among_noise() -> None:
    rate_hz = 96e3
    at_s = np.arange(round(0.3 * rate_hz)) / rate_hz
    tone = np.sin(2 * np.pi * 22_000 * at_s) * 0.325
    tone[~((at_s > 0.05) & (at_s < 0.0625))] = 0
    wave = np.zeros_like(tone)
    burst_b = wave_of(Sending([b"\xff"], 0.0), rate_hz)
    wave[round(0.15 * rate_hz) :][: len(burst_b)] = burst_b
    noise = 0.12 * np.random.default_rng(4).standard_normal(len(tone))
    events = hear((tone + wave + noise).astype(np.float32), rate_hz)
    assert [event.which for event in events if isinstance(event, Burst)] == ["A", "B"]
    assert events[0].t_s == pytest.approx(0.05, abs=0.2e-3)
