"""The study on invented rigs, with fewer of them: the benchmark of its name runs 500."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from sim.plan.causes import ACTUATOR, LOST, NOTHING, SLIPPED, TWISTED, WRONG

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "predict_study.py"
SEED = 2026


@pytest.fixture(scope="module")
def study() -> ModuleType:
    spec = importlib.util.spec_from_file_location("predict_study", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_band_holds_the_truth_as_often_as_it_says(study: ModuleType) -> None:
    # A rig's errors go together, so a few hundred rigs are needed to see a per cent.
    held = [study.study_bands(75, taught, SEED + taught) for taught in (2, 3, 4, 5, 8)]
    assert 0.93 <= sum(one.inside for one in held) / len(held) <= 0.97
    assert max(one.named for one in held) <= 0.02


def test_three_good_peaks_give_the_rest_to_half_a_count(study: ModuleType) -> None:
    held = study.study_bands(150, 3, SEED, good=True)
    assert held.median <= 0.5
    assert held.most <= 1.5


def test_three_peaks_with_noise_of_one_count_rms_come_close_to_that(study: ModuleType) -> None:
    # Three readings of one count rms cannot do much better: 0.48 and 1.4 with the curve's bend
    # known exactly and the peaks at both ends and the middle (computed).
    held = study.study_bands(150, 3, SEED)
    assert held.median <= 0.6
    assert held.most <= 1.65


@pytest.mark.parametrize("taught", [3, 6])
def test_a_peak_on_its_neighbour_is_named_and_no_honest_one(study: ModuleType, taught: int) -> None:
    accused = study.study_suspects(100, taught, SEED, "neighbour")
    assert accused.named >= 0.95
    assert accused.right_story >= 0.95
    assert accused.honest_named <= 0.02


def test_counts_lost_between_two_days_are_named(study: ModuleType) -> None:
    accused = study.study_suspects(60, 8, SEED, "lost counts")
    assert accused.named >= 0.95
    assert accused.honest_named <= 0.02


@pytest.mark.parametrize("cause", [LOST, SLIPPED, TWISTED, ACTUATOR, WRONG, NOTHING])
def test_shift_names_the_right_cause_or_none(study: ModuleType, cause: str) -> None:
    told = study.study_shift(30, cause, 3, ("east", "west"), SEED)
    named = told.total() - told["cannot tell"]
    assert named >= 15
    assert told[cause] >= 0.95 * named


@pytest.mark.parametrize("cause", [LOST, SLIPPED])
def test_shift_says_that_it_cannot_tell_without_an_end(study: ModuleType, cause: str) -> None:
    assert study.study_shift(20, cause, 2, (), SEED)["cannot tell"] == 20
