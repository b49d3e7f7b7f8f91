"""The study on invented rigs, with fewer of them: the benchmarks of these names run 500."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

SCRIPTS = Path(__file__).parents[2] / "benchmarks"
SEED = 2026


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, SCRIPTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def study() -> ModuleType:
    return script("predict_study")


@pytest.fixture(scope="module")
def oracle(study: ModuleType) -> ModuleType:
    return script("predict_oracle")  # it imports the study by its name


@pytest.mark.parametrize(
    "kind", [{}, {"worm": True}, {"bare": True}, {"worm": True, "bare": True}], ids=str
)
def test_band_holds_the_truth_as_often_as_it_says(study: ModuleType, kind: dict[str, bool]) -> None:
    # A rig's errors go together: 240 lists still leave a standard error of about 1 %.
    numbers = (3, 4, 6, 10) if kind else (2, 3, 5, 10)
    held = [study.study_bands(60, taught, SEED + taught, **kind) for taught in numbers]
    assert 0.93 <= sum(one.share for one in held) / len(held) <= 0.98
    by_place = np.mean([one.by_place for one in held], axis=0)
    assert 0.91 <= by_place.min()
    assert by_place.max() <= 0.995
    assert sum(one.named for one in held) <= 0.02 * sum(one.honest for one in held)


def test_two_peaks_without_mount_have_a_band_that_holds_either_drive(study: ModuleType) -> None:
    linear = study.study_bands(60, 2, SEED, bare=True)
    worm = study.study_bands(60, 2, SEED, bare=True, worm=True)
    assert linear.share >= 0.95
    assert worm.share >= 0.8  # one drive in six or seven, and the odds are against it
    assert linear.median <= 6.0


def test_three_good_peaks_give_the_rest_to_half_a_count(study: ModuleType) -> None:
    held = study.study_bands(150, 3, SEED, good=True)
    assert held.median <= 0.5
    assert held.most <= 1.5


def test_three_peaks_with_noise_of_one_count_rms_come_close_to_that(study: ModuleType) -> None:
    held = study.study_bands(150, 3, SEED)
    assert held.median <= 0.6
    assert held.most <= 1.65


@pytest.mark.parametrize("taught", [3, 6])
def test_no_reckoning_does_much_better(oracle: ModuleType, taught: int) -> None:
    # Posterior mean under the very priors and noise that the rigs are drawn with.
    errors = oracle.compare_counts(50, taught, SEED)
    rms = {who: math.sqrt(float((np.concatenate(e) ** 2).mean())) for who, e in errors.items()}
    assert rms["predict"] <= 1.06 * rms["oracle"]
    assert rms["predict"] >= 0.94 * rms["oracle"]  # else the oracle is none


def test_posterior_means_are_right_on_average(oracle: ModuleType) -> None:
    errors = [rig.mean() for rig in oracle.compare_counts(50, 5, SEED)["oracle"]]
    assert abs(float(np.mean(errors))) <= 3.0 * float(np.std(errors)) / math.sqrt(len(errors))


@pytest.mark.parametrize("taught", [3, 6])
def test_a_peak_on_its_neighbour_is_named_and_no_honest_one(study: ModuleType, taught: int) -> None:
    accused = study.study_suspects(100, taught, SEED, "neighbour")
    assert accused.named >= 0.95
    assert accused.right_story >= 0.95
    assert accused.honest_named <= 0.02


@pytest.mark.parametrize("approach", [None, "west"])
def test_the_other_side_is_named_where_likelihood_ratios_tell_it(
    oracle: ModuleType, approach: str | None
) -> None:
    named, honest_named, best = oracle.compare_sides(100, 8, SEED, approach)
    assert honest_named <= 0.02
    assert named >= 0.2
    assert named >= best - 0.08


def test_counts_lost_between_two_days_are_named(study: ModuleType) -> None:
    accused = study.study_suspects(60, 8, SEED, "lost counts")
    assert accused.named >= 0.95
    assert accused.honest_named <= 0.02
