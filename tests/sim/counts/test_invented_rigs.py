"""A few rigs of tests/benchmarks/predict_study.py, always the same: the study runs 500."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

STUDY = Path(__file__).parents[2] / "benchmarks" / "predict_study.py"
SEED = 2026


@pytest.fixture(scope="module")
def study() -> ModuleType:
    spec = importlib.util.spec_from_file_location("predict_study", STUDY)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("kind", "taught"),
    [({}, 3), ({}, 8), ({"worm": True}, 3), ({"bare": True}, 5)],
    ids=["linear, 3", "linear, 8", "worm, 3", "no mount, 5"],
)
def test_bands_hold_peaks_found_to_one_count_and_none_is_named(
    study: ModuleType, kind: dict[str, bool], taught: int
) -> None:
    held = study.study_bands(6, taught, SEED, good=True, **kind)
    assert held.share >= 0.95
    assert held.median <= 0.6  # counts
    assert np.abs(np.concatenate(held.errors)).max() < 4.0
    assert held.named == 0


@pytest.mark.parametrize(("cause", "taught"), [("neighbour", 5), ("lost counts", 8)])
def test_wrong_peaks_are_named_and_no_right_one(study: ModuleType, cause: str, taught: int) -> None:
    found = study.study_outliers(3, taught, SEED, cause)
    assert found.named == 1.0
    assert found.right_cause == 1.0
    assert found.honest_named == 0.0
