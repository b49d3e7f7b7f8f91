"""`arcstep encode`: command words or hex -> bytes, and a waveform file."""

from __future__ import annotations

from pathlib import Path

from bridge.bus.frame import Frame
from bridge.bus.hex_text import parse_hex
from bridge.bus.meaning import meaning_of
from bridge.bus.words import parse_words
from bridge.errors import FrameError, WordsError

SEPARATOR = ","  # a word that stands between two frames


def encode(words: list[str], *, out: Path | None = None, rate_hz: float | None = None) -> int:
    """Print the bytes of each frame, with its meaning; write the waveform where asked.

    A comma that stands alone separates frames: `goto 7 , halt`.
    """
    frames = [_frame_of(group) for group in _split(words)]
    for frame in frames:
        print(f"{frame.hex:<17}  {meaning_of(frame).sentence}")
    if out is not None:
        from bridge.capture.write import write_capture  # noqa: PLC0415
        from bridge.signal.waveform import Sending  # noqa: PLC0415  (numpy only where used)

        write_capture(out, Sending([frame.build() for frame in frames]), rate_hz=rate_hz)
    return 0


def _split(words: list[str]) -> list[list[str]]:
    groups: list[list[str]] = [[]]
    for word in words:
        if word == SEPARATOR:
            groups.append([])
        else:
            groups[-1].append(word)
    if not all(groups):
        raise WordsError("nothing to encode; give words such as: drive east 1 count, or hex bytes")
    return groups


def _frame_of(words: list[str]) -> Frame:
    """Hex where every word is hex, else words. Raises WordsError or FrameError."""
    try:
        data = parse_hex(" ".join(words))
    except FrameError:
        return parse_words(words)
    return Frame.parse(data)
