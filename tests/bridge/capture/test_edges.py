"""Edges of sampled levels: each change is found, in any blocks, however many there are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.capture.edges import find_edges

RATE_HZ = 1e6


def gather(blocks: list[np.ndarray]) -> tuple[list[float], list[int]]:
    pairs = list(find_edges(blocks, RATE_HZ, 0.5))
    assert all(len(times) == len(levels) > 0 for times, levels in pairs)
    return (
        [time for times, _ in pairs for time in times.tolist()],
        [level for _, levels in pairs for level in levels.tolist()],
    )


@given(
    seed=st.integers(0, 2**32 - 1),
    usual=st.sampled_from([1, 3, 9, 60, 400, 5_000]),
    kinds=st.sampled_from([2, 3]),
    cuts=st.lists(st.integers(0, 8_000), max_size=5),
    stride=st.sampled_from([1, 2]),
)
def test_every_change_is_found(
    seed: int, usual: int, kinds: int, cuts: list[int], stride: int
) -> None:
    rng = np.random.default_rng(seed)
    runs = rng.geometric(1 / usual, size=8_000 // usual + 1)
    levels = np.repeat(rng.integers(0, kinds, len(runs)).astype(np.uint8), runs)[:8_000]
    spaced = np.zeros(stride * len(levels), np.uint8)
    spaced[::stride] = levels
    times, found = gather(np.split(spaced[::stride], sorted(min(c, len(levels)) for c in cuts)))
    wanted = [n for n in range(len(levels)) if n == 0 or levels[n] != levels[n - 1]]
    assert times == pytest.approx([0.5 + n / RATE_HZ for n in wanted], abs=1e-12)
    assert found == levels[wanted].tolist()


@pytest.mark.parametrize("at", [*range(1, 18), 1_000, 9_999])
def test_a_lone_change_among_many_levels(at: int) -> None:
    quiet = np.zeros(10_000, np.uint8)
    changed = (np.arange(10_000) >= at).astype(np.uint8)
    times, levels = gather([quiet, changed])
    assert times == pytest.approx([0.5, 0.5 + (10_000 + at) / RATE_HZ], abs=1e-12)
    assert levels == [0, 1]
