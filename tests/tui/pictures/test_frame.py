"""The picture of a frame: what was read is written on it, and what is drawn is the capture."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest

from bridge.capture.open import open_capture
from bridge.capture.write import write_capture
from bridge.errors import BadInput, CaptureError
from bridge.signal.waveform import Sending, samples_of
from tui.pictures.frame import cut_wave, draw_frames, first_frame, mean_slot_s

DRIVE = bytes.fromhex("E03168FF")
# E0 31 68 FF with odd parity (bus specification, from memory): 1 for a byte of even count of ones
BITS = "111000000" + "001100010" + "011010000" + "111111111"


def words_in(picture: Path) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", picture.read_text("utf-8"))


@pytest.fixture
def make(tmp_path):
    def capture(name, *frames, **more):
        write_capture(tmp_path / name, Sending(frames or [DRIVE], **more))
        return open_capture(str(tmp_path / name))

    return capture


@pytest.mark.parametrize("name", ["a.wav", "a.csv", "a.vcd"])
def test_bytes_and_bits_are_written_on_the_picture(make, tmp_path, name):
    pytest.importorskip("matplotlib")
    draw_frames(make(name), tmp_path / "out.svg")
    words = words_in(tmp_path / "out.svg")
    assert [word for word in words if word in ("E0", "31", "68", "FF")] == ["E0", "31", "68", "FF"]
    assert [word for word in words if word.startswith("parity")] == [
        f"parity {bit}" for bit in BITS[8::9]
    ]
    assert any("Drive east 1 count" in word for word in words)


@pytest.mark.parametrize("kind", ["png", "pdf"])
def test_other_kinds_of_picture(make, tmp_path, kind):
    pytest.importorskip("matplotlib")
    out = tmp_path / f"out.{kind}"
    draw_frames(make("a.vcd"), out)
    assert out.read_bytes().startswith({"png": b"\x89PNG", "pdf": b"%PDF"}[kind])


def test_a_byte_with_wrong_parity_is_marked(tmp_path):
    pytest.importorskip("matplotlib")
    folder = Path(__file__).parents[3] / "captures_demo"
    draw_frames(open_capture(str(folder / "wet_joint.wav")), tmp_path / "out.svg")
    words = words_in(tmp_path / "out.svg")
    assert words[words.index("78") + 1] == "parity"
    assert any("wrong parity" in word for word in words)
    draw_frames(open_capture(str(folder / "tone_left_on.wav")), tmp_path / "out.svg")
    assert "left over" in words_in(tmp_path / "out.svg")


@pytest.mark.parametrize("block", [1000, 1 << 20])
def test_samples_drawn_are_those_of_the_file(make, block):
    sending = Sending([DRIVE])
    trace = open_capture(make("a.csv").path, block=block).traces[0]
    wave = cut_wave(trace, 0.03, 0.05)
    whole = np.concatenate(list(samples_of(sending, 250e3)))
    assert wave.values == pytest.approx(whole[7500:12500], abs=1e-5)
    assert wave.times_s == pytest.approx(np.arange(7500, 12500) / 250e3)


@pytest.mark.parametrize("block", [100, 1 << 20])
def test_edges_drawn_begin_with_the_level_held(tmp_path, block):
    path = tmp_path / "a.vcd"
    path.write_text(
        "$timescale 1 ms $end\n$var wire 1 ! tone $end\n$enddefinitions $end\n"
        "#0\n0!\n#10\n1!\n#20\n0!\n#30\n1!\n#40\n0!\n#50\n"
    )
    wave = cut_wave(open_capture(str(path), block=block).traces[0], 0.015, 0.035)
    assert wave.times_s == pytest.approx([0.015, 0.02, 0.03, 0.035])
    assert wave.values.tolist() == [1, 0, 1, 1]


@pytest.mark.parametrize("slot_s", [0.4e-3, 0.5e-3, 0.6e-3])  # 0.5 +-0.1 ms (from memory)
def test_the_slots_drawn_are_the_sender_s_own(make, slot_s):
    frame = first_frame(make("a.vcd", slot_s=slot_s).traces[0])
    assert frame.bits == BITS
    assert mean_slot_s(frame.bits, frame.duration_s) == pytest.approx(slot_s, abs=2e-6)


def test_hex_text_and_silence_hold_nothing_to_draw(tmp_path):
    pytest.importorskip("matplotlib")
    text, quiet = tmp_path / "a.txt", tmp_path / "a.csv"
    text.write_text("0.1 E0 31 68 FF\n")
    quiet.write_text("# sample_rate = 100000 Hz\n# unit = V\n" + 2000 * "18.0\n")
    with pytest.raises(CaptureError, match="hex text holds no waveform"):
        draw_frames(open_capture(str(text)), tmp_path / "out.svg")
    with pytest.raises(CaptureError, match="no frame found"):
        draw_frames(open_capture(str(quiet)), tmp_path / "out.svg")
    assert not (tmp_path / "out.svg").exists()


def test_no_matplotlib_and_a_strange_suffix_are_one_sentence(make, tmp_path, monkeypatch):
    with pytest.raises(BadInput, match=r"\.svg, \.png, \.pdf"):
        draw_frames(make("a.vcd"), tmp_path / "out.gif")
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(BadInput, match="plot extra"):
        draw_frames(make("a.vcd"), tmp_path / "out.svg")
