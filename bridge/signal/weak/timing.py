"""The best sequence of bits under two hypotheses of timing: steady slots, or slots that wander."""

from __future__ import annotations

import numpy as np

from bridge.signal.weak.estimate import Estimate
from bridge.signal.weak.sequence import (
    LOOSE_JITTER_S,
    STEADY_JITTER_S,
    BitSequence,
    Cells,
    SequenceSearch,
)

ACCEPT_NATS = 40.0  # least score of a message: no noise reaches it (noise_curve.py --noise)
FIT_SHARE = 0.85  # of the score that level and noise promise, least of steady slots (judgement)
BIT_NATS = 4.0  # nats by which a bit's score falls short of what its energy promises (judgement)
SURE_NATS = 60.0  # energy of a slot over the noise from which loose timing is tried too (judgement)


def best_sequence(
    cells: Cells, estimate: Estimate, known: BitSequence | None = None
) -> BitSequence:
    """The best sequence: of steady slots, unless loose ones explain more.

    With one `known`, slots of about its length are tried. Without, the sequence serves to measure
    level and carrier, and steady slots need only fit, however clear the tone is.
    """
    near_s = None if known is None else known.slot * cells.step_s
    steady = _search(cells, estimate, STEADY_JITTER_S, near_s)
    if steady.score < ACCEPT_NATS / 2:
        return steady
    _, gain = estimate.weights(cells)
    promised = float(np.sum(gain * steady.tones))
    fits = steady.score > FIT_SHARE * (promised - BIT_NATS * len(steady.bits))
    if fits and (known is None or gain * steady.slot < SURE_NATS):
        return steady
    return best_loose(cells, steady, estimate, near_s)


def best_loose(
    cells: Cells, sequence: BitSequence, estimate: Estimate, near_s: float | None = None
) -> BitSequence:
    """A sequence of loose timing, if it is better than this one."""
    loose = _search(cells, estimate, LOOSE_JITTER_S, near_s)
    return max(sequence, loose, key=lambda each: each.score)


def _search(cells: Cells, estimate: Estimate, jitter_s: float, near_s: float | None) -> BitSequence:
    return SequenceSearch(cells, estimate.level, estimate.deviation, jitter_s, near_s).best()
