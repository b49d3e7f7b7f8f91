"""The picture of a frame: what was read is written on it, and what is drawn is the capture."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bridge.capture.open import open_capture
from bridge.capture.trace import Capture
from bridge.capture.write import write_capture
from bridge.errors import CaptureError
from bridge.signal.waveform import Sending, samples_of
from tui.pictures.frame import cut_wave, draw_frames, first_frame, mean_slot_s

DRIVE = bytes.fromhex("E03168FF")
# E0 31 68 FF with odd parity (bus specification, from memory): 1 for a byte of even count of ones
BITS = "111000000" + "001100010" + "011010000" + "111111111"


@pytest.fixture
def make(tmp_path: Path) -> Any:
    def capture(name: str, *frames: bytes, **more: Any) -> Capture:
        write_capture(tmp_path / name, Sending(list(frames) or [DRIVE], **more))
        return open_capture(str(tmp_path / name))

    return capture


@pytest.fixture
def draw(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Draws a capture and gives the figure instead of a file."""
    pytest.importorskip("matplotlib", reason="the plot extra is not installed")
    drawn: list[Any] = []
    monkeypatch.setattr("tui.pictures.frame.save_figure", lambda figure, _: drawn.append(figure))

    def figure_of(capture: Capture, channel: str | None = None) -> Any:
        draw_frames(capture, Path("out.svg"), channel)
        return drawn.pop()

    return figure_of


def names(figure: Any) -> list[str]:
    """What stands beside each row: the byte, and what is wrong with it."""
    return [axes.get_ylabel() for axes in figure.axes]


@pytest.mark.parametrize("name", ["a.wav", "a.csv", "a.vcd"])
def test_a_byte_a_row_with_its_bits_and_slots(make: Any, draw: Any, name: str) -> None:
    figure = draw(make(name))
    assert names(figure) == ["E0", "31", "68", "FF"]
    for n, axes in enumerate(figure.axes):
        *bits, parity = BITS[9 * n : 9 * n + 9]
        assert [text.get_text() for text in axes.texts] == [*bits, f"parity {parity}"]
        assert axes.yaxis.label.get_color() == "black"
        # a bit lasts three slots of 0.5 ms (bus specification, from memory)
        lines = [line.get_xdata()[0] for line in axes.lines[1:]]
        assert lines == [pytest.approx(13.5 * n + 0.5 * slot, abs=0.06) for slot in range(27)]
        assert axes.get_xlim() == pytest.approx((13.5 * n - 1.5, 13.5 * n + 15.0), abs=0.06)
        shaded = [(patch.get_x(), patch.get_width()) for patch in axes.patches]
        assert shaded == [
            (pytest.approx(13.5 * n + 3.0 * k, abs=0.06), pytest.approx(1.5, abs=0.01))
            for k in range(5)
        ]
        assert [text.get_position()[0] for text in axes.texts] == [
            pytest.approx(13.5 * n + 1.5 * k + 0.75, abs=0.06) for k in range(9)
        ]
    # 1.6 inches of title and heads, and 1.35 for each of four bytes
    assert tuple(figure.get_size_inches()) == pytest.approx((9.0, 1.6 + 4 * 1.35))


def test_the_title_says_what_was_read_and_the_axis_in_what(make: Any, draw: Any) -> None:
    figure = draw(make("a.csv"))
    first, second, third = figure.get_suptitle().splitlines()
    assert first.startswith("a.csv, channel ")
    assert second == "E0 31 68 FF   Drive east 1 count (polar positioner)."
    assert third == "mean slot 0.500 ms, carrier 22.00 kHz"
    *above, last = [axes.get_xlabel() for axes in figure.axes]
    assert above == ["", "", ""]
    assert last == "ms since the first tone at 0.025000 s; upwards: V"
    assert draw(make("a.vcd")).axes[-1].get_xlabel().endswith("upwards: level")


def test_the_wave_drawn_is_that_of_its_row_and_a_bit_about_it(make: Any, draw: Any) -> None:
    for n, axes in enumerate(draw(make("a.csv")).axes):
        times_ms, volts = axes.lines[0].get_data()
        left, right = axes.get_xlim()
        assert times_ms[0] == pytest.approx(left, abs=0.06)
        assert times_ms[-1] == pytest.approx(right, abs=0.06)
        assert axes.lines[0].get_drawstyle() == "default"
        begins_with_tone = abs(volts[(times_ms > 13.5 * n + 0.1) & (times_ms < 13.5 * n + 0.3)])
        assert begins_with_tone.max() > 0.2  # V, half of 0.65 Vpp less what is filtered
    assert draw(make("a.vcd")).axes[0].lines[0].get_drawstyle() == "steps-post"


def test_a_byte_with_wrong_parity_and_bits_left_over_are_marked(draw: Any) -> None:
    folder = Path(__file__).parents[3] / "captures_demo"
    figure = draw(open_capture(str(folder / "wet_joint.wav")))
    wrong = [axes for axes in figure.axes if axes.get_ylabel().endswith("\nparity")]
    assert [axes.get_ylabel() for axes in wrong] == ["78\nparity"]
    assert [axes.yaxis.label.get_color() for axes in wrong] == ["tab:red"]
    assert "wrong parity" in figure.get_suptitle()
    figure = draw(open_capture(str(folder / "tone_left_on.wav")))
    assert any(name.endswith("left over") for name in names(figure))


def test_no_more_than_ten_bytes_are_drawn(make: Any, draw: Any) -> None:
    """A message of more bytes than any command has is drawn as far as the page goes."""
    figure = draw(make("a.vcd", bytes.fromhex("E0 31 68 FF") * 3))
    assert len(figure.axes) == 10


@pytest.mark.parametrize("block", [1000, 1 << 20])
def test_samples_drawn_are_those_of_the_file(make: Any, block: int) -> None:
    sending = Sending([DRIVE])
    trace = open_capture(make("a.csv").path, block=block).traces[0]
    wave = cut_wave(trace, 0.03, 0.05)
    whole = np.concatenate(list(samples_of(sending, 250e3)))
    assert wave.values == pytest.approx(whole[7500:12500], abs=1e-5)
    assert wave.times_s == pytest.approx(np.arange(7500, 12500) / 250e3)


@pytest.mark.parametrize("block", [100, 1 << 20])
def test_edges_drawn_begin_with_the_level_held(tmp_path: Path, block: int) -> None:
    path = tmp_path / "a.vcd"
    path.write_text(
        "$timescale 1 ms $end\n$var wire 1 ! tone $end\n$enddefinitions $end\n"
        "#0\n0!\n#10\n1!\n#20\n0!\n#30\n1!\n#40\n0!\n#50\n"
    )
    wave = cut_wave(open_capture(str(path), block=block).traces[0], 0.015, 0.035)
    assert wave.times_s == pytest.approx([0.015, 0.02, 0.03, 0.035])
    assert wave.values.tolist() == [1, 0, 1, 1]


@pytest.mark.parametrize("slot_s", [0.4e-3, 0.5e-3, 0.6e-3])  # 0.5 +-0.1 ms (from memory)
def test_the_slots_drawn_are_those_of_the_sender(make: Any, slot_s: float) -> None:
    frame = first_frame(make("a.vcd", slot_s=slot_s).traces[0])
    assert frame.bits == BITS
    assert mean_slot_s(frame.bits, frame.duration_s) == pytest.approx(slot_s, abs=2e-6)


def test_hex_text_and_silence_hold_nothing_to_draw(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    text, quiet = tmp_path / "a.txt", tmp_path / "a.csv"
    text.write_text("0.1 E0 31 68 FF\n")
    quiet.write_text("# sample_rate = 100000 Hz\n# unit = V\n" + 2000 * "18.0\n")
    with pytest.raises(CaptureError, match="hex text holds no waveform"):
        draw_frames(open_capture(str(text)), tmp_path / "out.svg")
    with pytest.raises(CaptureError, match="no frame found"):
        draw_frames(open_capture(str(quiet)), tmp_path / "out.svg")
    assert not (tmp_path / "out.svg").exists()
