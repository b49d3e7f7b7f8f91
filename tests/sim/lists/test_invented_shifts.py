"""`positions shift` beside an oracle on a few invented rigs: the study of its name runs 500."""

from __future__ import annotations

import importlib.util
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest

from sim.lists.causes import LOST, SLIPPED

FOLDER = Path(__file__).parents[2] / "benchmarks"
SEED = 2026


@pytest.fixture(scope="module")
def study() -> ModuleType:
    loaded = {}
    for name in ("predict_study", "shift_study"):  # the second stands on the first
        spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        loaded[name] = importlib.util.module_from_spec(spec)
        sys.modules[name] = loaded[name]
        spec.loader.exec_module(loaded[name])
    return loaded["shift_study"]


def test_the_right_cause_is_named_where_the_evidence_can_tell(study: ModuleType) -> None:
    can: Counter[str] = Counter()
    cannot: Counter[str] = Counter()
    oracle_right = 0
    for cause in study.CAUSES:
        answers = study.study(3, cause, 3, ("east",), SEED)
        can += answers.can
        cannot += answers.cannot
        oracle_right += answers.oracle_right
    assert can.total() >= 14  # of 18: the oracle itself can tell most, or nothing is shown here
    assert oracle_right >= can.total() - 1
    assert can["right"] >= can.total() - 1
    assert can["wrong"] == 0
    assert cannot["wrong"] == 0


@pytest.mark.parametrize("cause", [LOST, SLIPPED])
def test_neither_can_tell_lost_counts_from_a_clamp_without_an_end(
    study: ModuleType, cause: str
) -> None:
    answers = study.study(2, cause, 2, (), SEED)
    assert answers.can.total() == 0
    assert answers.cannot == {"cannot tell": 2}
