"""Edges of a comparator to stretches of tone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.bus.event import FrameHeard
from bridge.bus.keying.mark import marks_of
from bridge.decode.line_decoder import EdgeDecoder

FRAME = bytes.fromhex("E0316B07")


@given(st.floats(0.82, 1.18), st.floats(0.0, 1.0), st.floats(0.3, 0.7))
def test_the_carrier_is_told_where_keying_cuts_its_cycles(
    carrier: float, phase: float, duty: float
) -> None:
    """A carrier that runs on through the gaps is cut anywhere by the keying's gate."""
    carrier_hz = 22_000.0 * carrier
    at_s = np.arange(0.0, 80e-3, 0.1e-6)
    running = np.mod(at_s * carrier_hz + phase, 1.0) < duty
    gate = np.zeros(len(at_s), dtype=bool)
    for mark in marks_of(FRAME, 10e-3):
        gate |= (at_s >= mark.on_s) & (at_s < mark.off_s)
    levels = (running & gate).astype(np.uint8)
    edges = np.append(0, np.flatnonzero(np.diff(levels)) + 1)
    decoder = EdgeDecoder(resolution_s=0.1e-6, end_s=80e-3)
    heard = [*decoder.push(at_s[edges], levels[edges]), *decoder.finish()]
    frames = [event for event in heard if isinstance(event, FrameHeard)]
    assert [frame.byte_values for frame in frames] == [tuple(FRAME)]
    assert frames[0].carrier_hz == pytest.approx(carrier_hz, rel=2e-3)
