"""The answers of a study: they hang on pattern, users and seed, and on nothing else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import sobol_indices, uniform

from simfw.life.contributors import first_order
from simfw.life.life import life
from simfw.report.life import life_json
from tests.life.made import EVENING, head, lamp, pattern

RANDOM = EVENING.replace('wait = "1 h"', 'wait = "10 min .. 3 h"')


def test_sharing_out_the_work_changes_no_digit(tmp_path: Path) -> None:
    """Processes and chunks change how long it takes, not the answer; another seed does."""
    made = pattern(tmp_path, lamp(capacity="120 mAh ± 10 %"), head(horizon="1 day") + RANDOM)
    first = life_json(life(made, users=10, seed=4, study=False))
    for jobs, per_task in ((2, 1), (1, 3), (2, 4)):
        other = life(made, users=10, seed=4, study=False, jobs=jobs, per_task=per_task)
        assert life_json(other) == first
    assert life_json(life(made, users=10, seed=5, study=False)) != first


def test_mean_lies_in_its_interval_as_often_as_stated(tmp_path: Path) -> None:
    """Of 100 seeds at least 95 have the long-run mean within their interval, and not all."""
    made = pattern(tmp_path, lamp(capacity="100 mAh"), head(horizon="1 day") + RANDOM)
    studies = [life(made, users=6, seed=seed, study=False) for seed in range(100)]
    truth = float(np.mean([study.days for study in studies]))
    hits = sum(
        abs(study.mean_days - truth) <= study.error_days
        for study in studies
        if study.mean_days is not None and study.error_days is not None
    )
    assert 95 <= hits < 100


def test_contributors_agree_with_a_reference_library() -> None:
    """First-order shares of a smooth function are those of scipy.stats.sobol_indices."""

    def answer(x: np.ndarray) -> np.ndarray:
        return np.asarray(np.exp(x[0]) + 2.0 * x[1] ** 2 + 0.3 * x[2])

    reference = sobol_indices(
        func=answer, n=2048, dists=[uniform()] * 3, rng=np.random.default_rng(1)
    ).first_order
    points = np.random.default_rng(2).random((1000, 3))
    assert first_order(points.__getitem__, answer(points.T)) == pytest.approx(reference, abs=0.03)


def test_heat_of_a_steady_load_is_the_same_all_week(tmp_path: Path) -> None:
    """A life of some odd days still shows the true current in every quarter of the week."""
    made = pattern(tmp_path, lamp(capacity="20 mAh"), head())
    found = life(made, users=1, study=False)
    assert found.heat_a == pytest.approx([50e-6] * 672, rel=1e-6)
