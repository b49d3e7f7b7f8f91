"""Single wild samples and a converter's toggling last digit neither hide a message nor make one.

Quantisation to whole steps is arithmetic; the standard's levels and slots make the message.
"""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.event import FrameHeard, Tone
from bridge.decode.line_decoder import SampleDecoder
from bridge.signal.glitches import is_converter_flicker, remove_spikes
from bridge.signal.waveform import Sending, samples_of

FRAME = bytes.fromhex("E03168FF")


def _struck(rate_hz: float, seed: int, *, tone_v: float) -> np.ndarray:
    """A second with one message at 0.3 s, one of continuous tone at 0.6 s, and 12 wild samples."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(round(rate_hz)) / rate_hz
    volts = 0.003 * rng.standard_normal(len(at_s))
    wave = np.concatenate(list(samples_of(Sending([FRAME]), rate_hz))) - 13.0
    first = round(0.3 * rate_hz)
    volts[first : first + len(wave)] += tone_v / 0.325 * wave
    steady = (at_s > 0.6) & (at_s < 0.9)
    volts[steady] += tone_v * np.sin(2 * np.pi * 22e3 * at_s[steady])
    where = rng.choice(len(at_s), 12, replace=False)
    volts[where] += rng.choice([-1.0, 1.0], 12)
    return volts.astype(np.float32)


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 192e3])
@pytest.mark.parametrize("seed", range(10))
def test_messages_and_tone_are_heard_between_spikes(rate_hz: float, seed: int) -> None:
    decoder = SampleDecoder(rate_hz)
    heard = [*decoder.push(_struck(rate_hz, seed, tone_v=0.325)), *decoder.finish()]
    frames = [event for event in heard if isinstance(event, FrameHeard)]
    assert [frame.byte_values for frame in frames] == [tuple(FRAME)]
    tones = [event.t_s for event in heard if isinstance(event, Tone)]
    assert tones == pytest.approx([0.6, 0.9], abs=0.2e-3)
    assert len(heard) == 3


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 192e3, 1e6])
@pytest.mark.parametrize("seed", range(10))
def test_spikes_alone_are_heard_as_nothing(rate_hz: float, seed: int) -> None:
    decoder = SampleDecoder(rate_hz)
    heard = [*decoder.push(_struck(rate_hz, seed, tone_v=0.0)), *decoder.finish()]
    assert heard == []


def _drooping(rate_hz: float, seed: int, *, sent: bool) -> np.ndarray:
    """Steps of 1/128: a supply step dying away through a 10 Hz coupling, over dead quiet."""
    rng = np.random.default_rng(seed)
    at_s = np.arange(round(1.2 * rate_hz)) / rate_hz
    volts = rng.uniform(0.1, 0.9) * np.exp(-2 * np.pi * 10.0 * at_s)
    volts += rng.uniform(0.02, 0.15) / 128 * rng.standard_normal(len(at_s))
    if sent:
        wave = np.concatenate(list(samples_of(Sending([FRAME]), rate_hz))) - 13.0
        first = round(0.5 * rate_hz)
        volts[first : first + len(wave)] += 0.15 * wave[: len(volts) - first]
    return np.rint(volts * 128).astype(np.int16)


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 192e3, 1e6])
@pytest.mark.parametrize("seed", range(12))
def test_nothing_is_heard_in_dead_quiet(rate_hz: float, seed: int) -> None:
    decoder = SampleDecoder(rate_hz, scale=1 / 128)
    heard = [*decoder.push(_drooping(rate_hz, seed, sent=False)), *decoder.finish()]
    assert heard == []


@pytest.mark.parametrize("rate_hz", [96e3, 192e3, 1e6])
@pytest.mark.parametrize("seed", range(6))
def test_a_message_of_a_few_steps_is_heard_alone(rate_hz: float, seed: int) -> None:
    decoder = SampleDecoder(rate_hz, scale=1 / 128)
    heard = [*decoder.push(_drooping(rate_hz, seed, sent=True)), *decoder.finish()]
    frames = [event for event in heard if isinstance(event, FrameHeard)]
    assert [frame.byte_values for frame in frames] == [tuple(FRAME)]
    assert heard == frames


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 400e3, 1e6, 2e6, 10e6])
def test_white_noise_is_no_flicker(rate_hz: float) -> None:
    """The swing of many samples of noise in two cycles is nearly even, but of many steps."""
    noise = np.random.default_rng(5).standard_normal(round(0.06 * rate_hz))
    assert not is_converter_flicker(np.rint(1_000 * noise).astype(np.int16), rate_hz)
    assert not is_converter_flicker((0.1 * noise).astype(np.float32), rate_hz)


def _hum(count: int = 960) -> np.ndarray:
    """A carrier of 24 kHz at 96 kHz, four samples a cycle, on a supply of 13 V."""
    return (13.0 + 0.3 * np.sin(np.pi / 2 * np.arange(count))).astype(np.float32)


@pytest.mark.parametrize("length", [1, 2])
def test_a_spike_is_replaced_by_what_tone_would_be(length: int) -> None:
    wave = _hum()
    struck = wave.copy()
    struck[501 : 501 + length] += 2.0
    cleared = remove_spikes(struck, 96e3)
    assert cleared == pytest.approx(wave, abs=1e-3)
    assert struck[501] == pytest.approx(wave[501] + 2.0)  # what came in is left as it was


def test_a_spike_on_a_quiet_line_becomes_the_supply() -> None:
    rng = np.random.default_rng(4)
    quiet = (13.0 + 0.01 * rng.standard_normal(960)).astype(np.float32)
    struck = quiet.copy()
    struck[[0, 300, 940]] += np.float32([1.0, -1.0, 1.0])
    assert np.abs(remove_spikes(struck, 96e3) - 13.0).max() < 0.06


def test_three_samples_in_a_row_are_no_spike() -> None:
    struck = _hum()
    struck[500:503] += 2.0
    assert remove_spikes(struck, 96e3) is struck or np.array_equal(
        remove_spikes(struck, 96e3), struck
    )


def test_where_nothing_stands_out_the_same_array_comes_back() -> None:
    wave = _hum()
    assert remove_spikes(wave, 96e3) is wave
    assert remove_spikes(wave[:20], 96e3).base is wave  # less than eight cycles
    struck = wave.copy()
    struck[500] += 2.0
    assert remove_spikes(struck, 400e3) is struck  # so fast that one sample weighs little


@pytest.mark.parametrize(("height", "replaced"), [(1.4, False), (1.8, True)])
def test_a_spike_stands_above_one_and_a_half_times_the_tone(height: float, replaced: bool) -> None:
    wave = _hum()
    struck = wave.copy()
    struck[500] = 13.0 + height * 0.3
    assert bool(remove_spikes(struck, 96e3)[500] != struck[500]) is replaced


def test_flicker_and_tone_of_the_last_digits() -> None:
    rng = np.random.default_rng(6)
    at = np.arange(4000)
    tone = np.rint(0.9 * np.sin(2 * np.pi * 22 / 96 * at)).astype(np.int16)
    assert not is_converter_flicker(tone, 96e3)
    assert is_converter_flicker(np.zeros(4000, np.int16), 96e3)
    assert not is_converter_flicker(np.zeros(5, np.int16), 96e3)
    toggling = rng.integers(0, 2, 4000).astype(np.int16)
    assert is_converter_flicker(toggling, 96e3)
    drifting = toggling + at // 1000  # the baseline moves by a step now and then
    assert is_converter_flicker(drifting.astype(np.int16), 96e3)
    for peak in (2_000, 100):  # one click, in the middle or beside it
        clicked = toggling.copy()
        clicked[peak] += 6
        assert not is_converter_flicker(clicked, 96e3)
    wide = rng.integers(0, 3, 4000).astype(np.int16)  # most rows swing by two steps
    assert not is_converter_flicker(wide, 96e3)
