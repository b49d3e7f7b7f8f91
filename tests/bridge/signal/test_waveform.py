"""Frames to the waveform that sends them, against the figures of the standard (from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from bridge.errors import FrameError
from bridge.signal.waveform import Sending, edges_of, samples_of

HALT = bytes.fromhex("E03160")


def test_frames_stand_25_ms_apart_and_last_13_5_ms_a_byte() -> None:
    sending = Sending([HALT, b"\xe4"])
    assert sending.starts_s == pytest.approx([0.025, 0.025 + 0.0405 + 0.025])
    assert sending.length_s == pytest.approx(0.025 + 0.0405 + 0.025 + 0.0135 + 0.025)
    assert len(sending.marks) == 36
    assert sending.marks[27].on_s == pytest.approx(sending.starts_s[1])


def test_slots_and_gaps_may_be_others() -> None:
    sending = Sending([HALT], slot_s=0.6e-3, gap_s=0.1)
    assert sending.starts_s == [0.1]
    assert sending.length_s == pytest.approx(0.2 + 27 * 1.8e-3)
    assert sending.marks[0].length_s == pytest.approx(0.6e-3)


@pytest.mark.parametrize("frames", [[], [b""], [HALT, b""]])
def test_nothing_to_send_is_refused(frames: list[bytes]) -> None:
    with pytest.raises(FrameError, match=r"^no bytes to send; give one frame or more$"):
        Sending(frames)


def test_samples_are_tone_on_the_supply_in_the_marks_alone() -> None:
    sending = Sending([HALT], supply_v=18.0, level_vpp=0.8)
    wave = np.concatenate(list(samples_of(sending, 1e6)))
    assert len(wave) == round(sending.length_s * 1e6)
    assert wave.dtype == np.float32
    at_s = np.arange(len(wave)) / 1e6
    inside = np.zeros(len(wave), bool)
    for mark in sending.marks:
        inside |= (at_s > mark.on_s) & (at_s < mark.off_s)
    assert np.ptp(wave[inside]) == pytest.approx(0.8, rel=1e-3)
    assert wave[inside].mean() == pytest.approx(18.0, abs=2e-3)
    near = [np.abs(at_s - edge).min() < 1e-6 for edge in (sending.marks[0].on_s,)]
    assert all(near)
    outside = ~inside & (np.abs(wave - 18.0) > 0.03)
    assert np.count_nonzero(outside) == 0


def test_a_tone_begins_at_its_zero_and_rises() -> None:
    sending = Sending([HALT])
    wave = np.concatenate(list(samples_of(sending, 1e6)))
    first = round(sending.marks[0].on_s * 1e6)
    assert wave[first] == pytest.approx(13.0, abs=1e-3)
    assert wave[first + 11] == pytest.approx(13.325, abs=1e-3)  # a quarter of 45.5 us


def test_long_waves_come_in_pieces_of_half_a_second() -> None:
    sending = Sending([HALT], gap_s=0.6)
    pieces = [len(piece) for piece in samples_of(sending, 48e3)]
    assert pieces == [24_000, 24_000, round(sending.length_s * 48e3) - 48_000]


@pytest.mark.parametrize("rate_hz", [47_999.0, 0.0, float("nan")])
def test_a_rate_too_low_for_the_carrier_is_refused(rate_hz: float) -> None:
    with pytest.raises(
        FrameError, match="hold no carrier of 22 kHz; give 48000 or more with --rate"
    ):
        next(samples_of(Sending([HALT]), rate_hz))


def test_a_comparator_toggles_twice_a_cycle_and_rests_low() -> None:
    """11 cycles of 22 kHz in a slot of 0.5 ms, 22 in two."""
    sending = Sending([b"\xe0"])
    edges = list(edges_of(sending))
    assert len(edges) == 2 * (3 * 11 + 6 * 22)
    times = [time_s for time_s, _ in edges]
    assert [level for _, level in edges[:4]] == [1, 0, 1, 0]
    assert edges[-1][1] == 0
    assert times[0] == sending.marks[0].on_s
    assert times[1] - times[0] == pytest.approx(1 / 44_000)
    assert len(list(edges_of(Sending([b"\xe0"], carrier_hz=1_000.0)))) >= 18  # never no edge
