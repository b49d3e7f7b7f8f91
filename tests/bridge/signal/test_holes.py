"""What the receiver says against a message is deserved, and what was done to one is told.

Noise is white; Es is the energy of tone in one slot, as in the theory of detection (computed).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.bus.event import FrameHeard, Noise, Tone
from bridge.bus.keying.mark import Mark
from bridge.bus.parity import bits_of
from bridge.decode.line_decoder import SampleDecoder

LEVEL = 0.325  # V, half of 650 mV peak to peak
HONEST = {"mended", "unclear", "parity"}  # what noise alone may bring about
FUNDAMENTAL = {"sine": 1.0, "square": 4 / np.pi, "triangle": 8 / np.pi**2}  # of the height


def spans_of(rng: np.random.Generator, data: bytes, slot_s: float, jitter_s: float) -> list[Mark]:
    """Tone whose every edge is off by up to `jitter_s`."""
    spans, at_s = [], 25e-3
    for bit in bits_of(data):
        early_s, late_s = rng.uniform(-jitter_s, jitter_s, 2)
        spans.append(Mark(at_s + early_s, at_s + (1 if bit else 2) * slot_s + late_s))
        at_s += 3 * slot_s
    return spans


def wave_of(
    rng: np.random.Generator,
    spans: list[Mark],
    rate_hz: float,
    decibel: float,
    carrier_hz: float,
    *,
    level: float = LEVEL,
    shape: str = "sine",
) -> NDArray[np.float32]:
    at_s = np.arange(round((spans[-1].off_s + 25e-3) * rate_hz)) / rate_hz
    tone = np.zeros(len(at_s))
    first = rng.uniform(0, 1)
    for span in spans:
        inside = (at_s >= span.on_s) & (at_s < span.off_s)
        turn = (carrier_hz * at_s[inside] + first) % 1.0
        tone[inside] = {
            "sine": np.sin(2 * np.pi * turn),
            "square": np.where(turn < 0.5, 1.0, -1.0),
            "triangle": 4 * np.abs(turn - 0.5) - 1,
        }[shape]
    size = level * FUNDAMENTAL[shape]
    deviation = np.sqrt(size**2 * 0.5e-3 * rate_hz / 4 / 10 ** (decibel / 10))
    wave: NDArray[np.float32] = np.asarray(
        level * tone + deviation * rng.standard_normal(len(tone)), np.float32
    )
    return wave


def hear(wave: NDArray[np.float32], rate_hz: float, volts: bool = False) -> list[FrameHeard]:
    decoder = SampleDecoder(rate_hz, volts=volts)
    events = [*decoder.push(wave), *decoder.finish()]
    return [event for event in events if isinstance(event, FrameHeard)]


def codes(frames: list[FrameHeard]) -> set[str]:
    return {fault.code for frame in frames for fault in frame.faults} - HONEST


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 250e3])
@pytest.mark.parametrize("decibel", [17.0, 22.0, 26.0, 36.0])
def test_clean_messages_carry_no_fault(rate_hz: float, decibel: float) -> None:
    """Edges anywhere that leave tone and quiet within 0.5 +-0.1 ms (from memory) are clean."""
    rng = np.random.default_rng([round(rate_hz), round(decibel)])
    for _ in range(6):
        data = bytes([0xE0, *rng.integers(0, 256, 3).tolist()])
        slot_s = rng.uniform(0.42e-3, 0.58e-3)
        jitter_s = (min(slot_s - 0.4e-3, 0.6e-3 - slot_s)) / 2
        carrier_hz = rng.uniform(17_700, min(26_300, 0.47 * rate_hz))
        spans = spans_of(rng, data, slot_s, jitter_s)
        frames = hear(wave_of(rng, spans, rate_hz, decibel, carrier_hz), rate_hz)
        assert [frame.byte_values for frame in frames] == [tuple(data)]
        assert codes(frames) == set()


def with_hole(spans: list[Mark], n: int, length_s: float) -> list[Mark]:
    span = spans[n]
    middle_s = (span.on_s + span.off_s) / 2
    parts = [
        Mark(span.on_s, middle_s - length_s / 2),
        Mark(middle_s + length_s / 2, span.off_s),
    ]
    return [*spans[:n], *parts, *spans[n + 1 :]]


def with_pulse(spans: list[Mark], n: int, length_s: float) -> list[Mark]:
    middle_s = (spans[n].off_s + spans[n + 1].on_s) / 2
    pulse = Mark(middle_s - length_s / 2, middle_s + length_s / 2)
    return [*spans[: n + 1], pulse, *spans[n + 1 :]]


@pytest.mark.parametrize(
    ("touch", "n", "code"),
    [(with_hole, 4, "notch"), (with_pulse, 1, "pulse")],
    ids=["hole", "pulse"],
)
@pytest.mark.parametrize(
    ("rate_hz", "decibel"),
    [(48e3, 24.0), (96e3, 22.5), (96e3, 36.0), (250e3, 23.0), (1e6, 40.0)],
)
def test_a_hole_in_tone_and_a_pulse_in_quiet_are_told(
    touch: Callable[[list[Mark], int, float], list[Mark]],
    n: int,
    code: str,
    rate_hz: float,
    decibel: float,
) -> None:
    """A 0 has the long tone, a 1 the long quiet; E0 begins 1, 1, 1, 0, 0."""
    rng = np.random.default_rng(round(rate_hz + decibel))
    for _ in range(3):
        spans = touch(spans_of(rng, bytes.fromhex("E03160"), 0.5e-3, 0.0), n, 0.13e-3)
        wave = wave_of(rng, spans, rate_hz, decibel, rng.uniform(20_000, 21_000))
        assert code in codes(hear(wave, rate_hz))


@pytest.mark.parametrize("rate_hz", [96e3, 250e3])
@pytest.mark.parametrize(("shape", "level"), [("square", 0.445), ("triangle", 0.205)])
def test_the_level_is_not_called_off_for_the_carriers_shape(
    rate_hz: float, shape: str, level: float
) -> None:
    """890 and 410 mV peak to peak; 400 to 900 mV are allowed (from memory)."""
    rng = np.random.default_rng(5)
    spans = spans_of(rng, bytes.fromhex("E03160"), 0.5e-3, 0.0)
    for decibel in (24.0, 40.0):
        wave = wave_of(rng, spans, rate_hz, decibel, 21_800, level=level, shape=shape)
        assert codes(hear(wave, rate_hz, volts=True)) == set()


def test_a_level_that_no_shape_excuses_is_told() -> None:
    rng = np.random.default_rng(6)
    spans = spans_of(rng, bytes.fromhex("E03160"), 0.5e-3, 0.0)
    for level in (0.1, 0.7):
        wave = wave_of(rng, spans, 96e3, 40.0, 21_800, level=level)
        assert codes(hear(wave, 96e3, volts=True)) == {"level_off"}


@pytest.mark.parametrize(("carrier_hz", "told"), [(21_900, True), (22_900, False), (25_100, False)])
def test_a_carrier_that_may_be_another_s_image_is_not_told(carrier_hz: float, told: bool) -> None:
    """At 48 kHz a carrier at f looks as one at 48 kHz - f does (sampling, computed)."""
    rng = np.random.default_rng(8)
    spans = spans_of(rng, bytes.fromhex("E03160"), 0.5e-3, 0.0)
    (frame,) = hear(wave_of(rng, spans, 48e3, 30.0, carrier_hz), 48e3)
    assert frame.hex == "E0 31 60"
    assert frame.carrier_hz == (pytest.approx(carrier_hz, rel=0.01) if told else None)


@pytest.mark.parametrize("carrier_hz", [23_850, 24_000, 24_150])
def test_tone_at_half_the_sample_rate_is_told_as_unreadable(carrier_hz: float) -> None:
    rng = np.random.default_rng(9)
    spans = spans_of(rng, bytes.fromhex("E03160"), 0.5e-3, 0.0)
    decoder = SampleDecoder(48e3)
    wave = wave_of(rng, spans, 48e3, 30.0, carrier_hz)
    (event,) = [*decoder.push(wave), *decoder.finish()]
    assert isinstance(event, Noise)
    assert event.t_s == pytest.approx(25e-3, abs=5e-3)
    assert "record it at 96 kHz" in event.detail


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 250e3])
@pytest.mark.parametrize("weak", [1.0, 0.4])
def test_a_message_between_tones_of_another_carrier_is_read(rate_hz: float, weak: float) -> None:
    """Quiet of 3-10 ms about a message is among the manners of receivers (common practice)."""
    rng = np.random.default_rng(10)
    spans = spans_of(rng, bytes.fromhex("E03160"), 0.5e-3, 0.0)
    wave = wave_of(rng, spans, rate_hz, 34.0, 21_400)
    at_s = np.arange(round(0.2 * rate_hz)) / rate_hz
    sent = np.zeros(len(at_s), np.float32)
    first = round(35e-3 * rate_hz)
    sent[first : first + len(wave)] += wave
    for on_s, off_s in ((10e-3, 56e-3), (60e-3 + 39.5e-3 + 4e-3, 180e-3)):
        inside = (at_s >= on_s) & (at_s < off_s)
        sent[inside] += np.float32(weak * LEVEL * np.sin(2 * np.pi * 18_900 * at_s[inside]))
    decoder = SampleDecoder(rate_hz)
    events = [*decoder.push(sent), *decoder.finish()]
    assert [event.on for event in events if isinstance(event, Tone)] == [True, False] * 2
    (frame,) = [event for event in events if isinstance(event, FrameHeard)]
    assert frame.hex == "E0 31 60"
    assert codes([frame]) == {"short_quiet"}


@pytest.mark.parametrize("volts", [False, True])
def test_a_step_of_the_supply_is_no_message(volts: bool) -> None:
    rng = np.random.default_rng(7)
    for rate_hz in (48e3, 96e3):
        at_s = np.arange(round(0.2 * rate_hz)) / rate_hz
        for ramp_s in (1e-6, 20e-6, 200e-6, 5e-3):
            supply = 18 - 5 * np.clip((at_s - 0.1) / ramp_s, 0, 1)
            supply -= 0.3 * np.exp(-np.maximum(at_s - 0.1, 0) / 1e-3) * (at_s > 0.1)
            wave = supply - 0.0 if volts else supply - 18
            wave = wave + 0.01 * rng.standard_normal(len(wave))
            assert hear(wave.astype(np.float32), rate_hz, volts) == []
