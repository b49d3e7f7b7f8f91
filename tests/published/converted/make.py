"""Our own waveforms through the file conversion of a general-purpose logic-analyser suite.

    python tests/published/converted/make.py [FOLDER]

Needs `sigrok-cli` (Debian package of that name) on PATH; nothing of it but the conversion between
general formats is used. Each original goes into the suite's own session file and out of it again.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from bridge.capture.write import write_capture
from bridge.signal.waveform import Sending, edges_of

TOOL = "sigrok-cli"
GAP_S = 8e-3  # s of quiet on either side: small files
SENDING = Sending([bytes.fromhex("E03160")], gap_s=GAP_S)
SHORT = Sending([bytes.fromhex("E5")], supply_v=18.0, gap_s=GAP_S)

# converted file -> (original, how the tool reads it, how it writes it)
CONVERSIONS = {
    "tone.vcd": ("tone.vcd", "vcd", "vcd"),
    "tone-time.csv": ("tone.vcd", "vcd", "csv:time=true:dedup=true:label=channel"),
    "tone-bare.csv": ("tone.vcd", "vcd", "csv:time=true:dedup=true:label=off:header=false"),
    "lines.vcd": ("lines.vcd", "vcd", "vcd"),
    "lines.csv": ("lines.vcd", "vcd", "csv:time=true:dedup=true:label=channel"),
    "volts.wav": ("volts-100k.csv", "csv:column_formats=t,a5", "wav"),
    "volts-rate.csv": ("volts-100k.csv", "csv:column_formats=t,a5", "csv"),
    "volts-time.csv": ("volts-48k.csv", "csv:column_formats=t,a5", "csv:time=true"),
}


def make_originals(folder: Path) -> None:
    """Write what is to be converted: a comparator's line, alone and among others, and volts."""
    write_capture(folder / "tone.vcd", SENDING, rate_hz=1e6)
    write_capture(folder / "volts-100k.csv", SHORT, rate_hz=100e3)
    write_capture(folder / "volts-48k.csv", SHORT, rate_hz=48e3)
    changes = [(round(time_s * 1e6), f"{level}!") for time_s, level in edges_of(SENDING)]
    serial = np.cumsum(np.random.default_rng(9).integers(1, 9, 60)) * 104
    changes += [(int(tick), f"{n & 1}%") for n, tick in enumerate(serial)]
    changes += [(3001 * n, f"{n & 1}&") for n in range(1, 18)]
    body = "".join(f"#{tick}\n{change}\n" for tick, change in sorted(changes))
    (folder / "lines.vcd").write_text(
        "$timescale 1 us $end\n$scope module bench $end\n$var wire 1 % serial $end\n"
        "$var wire 1 ! tone $end\n$var wire 1 & gate $end\n$upscope $end\n$enddefinitions $end\n"
        f"#0\n0!\n1%\n0&\n{body}#{round(SENDING.length_s * 1e6)}\n"
    )


def convert(originals: Path, folder: Path) -> None:
    """Convert them all into `folder`. Raises CalledProcessError where the tool fails."""
    with tempfile.TemporaryDirectory() as scratch:
        for name, (original, reads, writes) in CONVERSIONS.items():
            session = Path(scratch) / f"{name}.sr"
            into = ["-I", reads, "-i", str(originals / original), "-o", str(session)]
            back = ["-i", str(session), "-O", writes, "-o", str(folder / name)]
            for step in (into, back):
                subprocess.run([TOOL, *step], check=True, capture_output=True, timeout=60)


def main() -> None:
    if shutil.which(TOOL) is None:
        sys.exit(f"{TOOL} is not on PATH; install the Debian package of that name")
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parent)
    with tempfile.TemporaryDirectory() as originals:
        make_originals(Path(originals))
        convert(Path(originals), folder)


if __name__ == "__main__":
    main()
