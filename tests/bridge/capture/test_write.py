"""Waveform files that decode back to what was sent."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import FrameHeard
from bridge.capture.open import open_capture
from bridge.capture.write import write_capture
from bridge.decode.capture_events import read_traffic
from bridge.errors import CaptureError, FrameError
from bridge.signal.waveform import Sending
from random_search import examples

RATES = {".wav": (48e3, 96e3, 192e3), ".csv": (96e3, 250e3), ".vcd": (1e6, 1e7, 1e9)}
KINDS = [(kind, rate_hz) for kind, rates in RATES.items() for rate_hz in rates]


@given(
    st.lists(st.binary(min_size=3, max_size=6), min_size=1, max_size=2),
    st.sampled_from(KINDS),
    st.floats(0.82, 1.0),
)
@examples(20)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    frames: list[bytes],
    kind: tuple[str, float],
    carrier: float,
) -> None:
    suffix, rate_hz = kind
    path = tmp_path_factory.getbasetemp() / f"sent{suffix}"
    sending = Sending(frames, carrier_hz=22_000 * carrier)
    write_capture(path, sending, rate_hz=rate_hz)
    heard = [e for e in read_traffic(open_capture(str(path))) if isinstance(e, FrameHeard)]
    assert [bytes(byte or 0 for byte in frame.byte_values) for frame in heard] == frames
    for frame, start_s in zip(heard, sending.starts_s, strict=True):
        assert frame.t_s == pytest.approx(start_s, abs=0.1e-3)
        assert {f.code for f in frame.faults} <= {"reply_code", "reply_missing"}


def test_an_unknown_kind_is_refused_and_nothing_written(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"\.wav, \.vcd, \.csv"):
        write_capture(tmp_path / "sent.mp3", Sending([b"\xe0\x31\x60"]))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("name", "rate_hz"), [("s.wav", 8e3), ("s.csv", 20e3), ("s.vcd", 3.0)])
def test_a_rate_that_cannot_hold_it_is_refused(tmp_path: Path, name: str, rate_hz: float) -> None:
    with pytest.raises((FrameError, CaptureError), match="--rate"):
        write_capture(tmp_path / name, Sending([b"\xe0\x31\x60"]), rate_hz=rate_hz)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="not written"):
        write_capture(tmp_path / "no" / "s.wav", Sending([b"\xe0\x31\x60"]))


def test_nothing_to_send_is_refused() -> None:
    with pytest.raises(FrameError, match="no bytes"):
        Sending([])
