"""Single wild samples at the rates of sound cards neither hide a message nor make one."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.bus.event import FrameHeard, Tone
from bridge.signal.detector import SampleReceiver
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
    receiver = SampleReceiver(rate_hz)
    heard = [*receiver.push(_struck(rate_hz, seed, tone_v=0.325)), *receiver.finish()]
    frames = [event for event in heard if isinstance(event, FrameHeard)]
    assert [frame.byte_values for frame in frames] == [tuple(FRAME)]
    tones = [event.t_s for event in heard if isinstance(event, Tone)]
    assert tones == pytest.approx([0.6, 0.9], abs=0.2e-3)
    assert len(heard) == 3


@pytest.mark.parametrize("rate_hz", [48e3, 96e3, 192e3, 1e6])
@pytest.mark.parametrize("seed", range(10))
def test_spikes_alone_are_heard_as_nothing(rate_hz: float, seed: int) -> None:
    receiver = SampleReceiver(rate_hz)
    heard = [*receiver.push(_struck(rate_hz, seed, tone_v=0.0)), *receiver.finish()]
    assert heard == []
