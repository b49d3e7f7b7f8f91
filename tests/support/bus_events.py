"""Events of the bus for tests, with times as the standard gives them."""

from __future__ import annotations

from typing import Any

from bridge.bus.event import FrameHeard

BYTE_S = 13.5e-3  # s: nine bits of 1.5 ms
END_S = 1e-3  # s of quiet at the end of a last bit that is 1


def length_s(hex_text: str) -> float:
    """From the first tone of a message to its last."""
    return len(bytes.fromhex(hex_text)) * BYTE_S - END_S


def heard(hex_text: str, t_s: float | None = None, **more: Any) -> FrameHeard:
    """A message as it is heard; with a time it also has a duration."""
    data = bytes.fromhex(hex_text)
    if t_s is not None:
        more.setdefault("duration_s", length_s(hex_text))
    return FrameHeard(t_s, tuple(data), (True,) * len(data), **more)
