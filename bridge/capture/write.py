"""Waveforms into files: .wav, .csv in volts, .vcd as a comparator's carrier."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import IO

from bridge.errors import CaptureError
from bridge.signal.waveform import Sending, edges_of, samples_of
from bridge.textfile.save import replacing

# samples a second, where none is given: a usual sound card's fastest (judgement)
WAV_RATE_HZ = 192e3
CSV_RATE_HZ = 250e3  # rows a second, where none is given: ten and more a carrier cycle (judgement)
VCD_RATE_HZ = 10e6  # ticks a second, where none is given (judgement)
WAV_FULL_SCALE_V = 25.0  # V at full scale: holds a supply of 18 V and its tone (judgement)
VCD_TICKS = {1e6: "1 us", 1e7: "100 ns", 1e8: "10 ns", 1e9: "1 ns"}


def write_capture(path: Path, sending: Sending, *, rate_hz: float | None = None) -> None:
    """Write what is sent; the suffix tells the kind. Raises CaptureError, whole file or none."""
    writer = WRITERS.get(path.suffix.lower())
    if writer is None:
        raise CaptureError(
            f"{path}: no waveform of kind '{path.suffix}'; name it {', '.join(WRITERS)}"
        )
    try:
        with replacing(path, like=path) as file:
            writer(file, sending, rate_hz)
    except OSError as error:
        raise CaptureError(f"{path}: not written: {error.strerror or error}") from error


def _write_wav(file: IO[bytes], sending: Sending, rate_hz: float | None) -> None:
    import numpy as np  # noqa: PLC0415

    rate = round(rate_hz or WAV_RATE_HZ)
    pieces = list(samples_of(sending, rate))
    data = sum(2 * len(piece) for piece in pieces)
    file.write(struct.pack("<4sI4s", b"RIFF", 36 + data, b"WAVE"))
    file.write(struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, rate, 2 * rate, 2, 16))
    file.write(struct.pack("<4sI", b"data", data))
    for piece in pieces:
        scaled = np.clip(np.rint(piece / WAV_FULL_SCALE_V * 32768), -32768, 32767)
        file.write(scaled.astype("<i2").tobytes())


def _write_csv(file: IO[bytes], sending: Sending, rate_hz: float | None) -> None:
    rate = rate_hz or CSV_RATE_HZ
    file.write(b"Time (s),Bus (V)\n")
    n = 0
    for piece in samples_of(sending, rate):
        rows = [f"{(n + k) / rate:.9f},{volts:.5f}\n" for k, volts in enumerate(piece.tolist())]
        file.write("".join(rows).encode())
        n += len(piece)


def _write_vcd(file: IO[bytes], sending: Sending, rate_hz: float | None) -> None:
    rate = rate_hz or VCD_RATE_HZ
    if rate not in VCD_TICKS:
        raise CaptureError(
            f"{rate:g} ticks a second are no time scale of VCD; "
            f"give --rate {', '.join(f'{r:g}' for r in VCD_TICKS)}"
        )
    head = (
        f"$timescale {VCD_TICKS[rate]} $end\n$scope module bus $end\n$var wire 1 ! tone $end\n"
        "$upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n0!\n$end\n"
    )
    file.write(head.encode())
    last = 0
    for time_s, level in edges_of(sending):
        tick = max(round(time_s * rate), last + 1)
        file.write(f"#{tick}\n{level}!\n".encode())
        last = tick
    file.write(f"#{max(round(sending.length_s * rate), last + 1)}\n".encode())


WRITERS: dict[str, Callable[[IO[bytes], Sending, float | None], None]] = {
    ".wav": _write_wav,
    ".vcd": _write_vcd,
    ".csv": _write_csv,
}
