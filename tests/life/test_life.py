"""The answers of a study: they hang on pattern, users and seed, and on nothing else."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import sobol_indices, uniform

from simfw.errors import UsageError
from simfw.life.changes import best_changes, corners, typical_users
from simfw.life.contributors import first_order
from simfw.life.life import is_certain, life, spread_of
from simfw.life.sampling import Spread
from simfw.report.life import life_json, life_text
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


TIMED = """
[gadget]
name = "Timed"
[cell]
curve = "lco"
capacity = "20 mAh"
[loads]
little = {{ current = "1 mA" }}
much = {{ current = "10 mA" }}
[behaviour.work]
starts = "a"
states.a = {{ little = "on" }}
states.b = {{ much = "on" }}
states.c = {{ little = "on" }}
rows = [
{rows}
]
"""


def test_timings_with_ranges_are_drawn_too(tmp_path: Path) -> None:
    """Each user's days are those of the dwell drawn for it: capacity over the mean current."""
    made = pattern(tmp_path, TIMED.format(rows="""
  { after = "900 ms (500 ms .. 2 s)", from = "a", to = "b" },
  { after = "100 ms", from = "b", to = "a" },
"""), head())
    assert made.gadget is not None
    spread = Spread(made.gadget)
    assert spread.keys == ("behaviour.work.rows[0].after",)
    found = life(made, users=8, seed=2, study=False)
    for days, row in zip(found.days, spread.rows(8, 2), strict=True):
        asleep_s = spread.values(row)["behaviour.work.rows[0].after"] * 1e-9
        mean_ma = (asleep_s * 1.0 + 0.1 * 10.0) / (asleep_s + 0.1)
        assert days == pytest.approx(20.0 / mean_ma / 24.0, rel=1e-4)
    assert len(set(found.days)) == 8


def test_drawn_dwells_may_change_places(tmp_path: Path) -> None:
    """Which of two dwells ends first is a matter of the parts drawn, in one study."""
    made = pattern(tmp_path, TIMED.format(rows="""
  { after = "2 s (1 s .. 3 s)", from = "a", to = "b" },
  { after = "1900 ms", from = "a", to = "c" },
  { after = "1 s", from = ["b", "c"], to = "a" },
"""), head())
    assert made.gadget is not None
    spread = Spread(made.gadget)
    found = life(made, users=16, study=False)
    firsts = []
    for days, row in zip(found.days, spread.rows(16, 0), strict=True):
        first_s = spread.values(row)["behaviour.work.rows[0].after"] * 1e-9
        mean_ma = (first_s + 10.0) / (first_s + 1.0) if first_s < 1.9 else 1.0
        assert days == pytest.approx(20.0 / mean_ma / 24.0, rel=1e-4)
        firsts.append(first_s < 1.9)
    assert any(firsts)
    assert not all(firsts)
    other = life(made, users=16, study=False, per_task=5)
    assert other.days.tolist() == found.days.tolist()


@pytest.mark.parametrize(
    ("old", "new", "certain"),
    [
        ("", "", True),
        ('at = "19:00"', 'each = "week"', False),
        ('at = "19:00"', 'between = ["19:00", "20:00"]', False),
        ('at = "19:00"', 'at = "normal 19:00 ± 10 min"', False),
        ('at = "19:00"', 'between = ["1:00", "1:00"]\ntimes = "mean 1"', False),
        ('at = "19:00"', 'between = ["1:00", "1:00"]\ntimes = "0 .. 1"', False),
        ('at = "19:00"', 'at = "19:00"\nstrength = "50 %"', False),
        ('at = "19:00"', 'at = "19:00"\nstrength = "50 % .. 150 %"', False),
        ('wait = "1 h"', 'wait = "1 h .. 2 h"', False),
        ('for = "200 ms"', 'for = "100 ms .. 200 ms"', False),
    ],
)
def test_study_is_certain_only_where_nothing_is_drawn(
    tmp_path: Path, old: str, new: str, certain: bool
) -> None:
    """Whatever is drawn makes users differ; where nothing is, one stands for all."""
    habit = EVENING.replace(old, new, 1) if old else EVENING
    made = pattern(tmp_path, lamp(capacity="20 mAh"), head(horizon="1 day") + habit)
    assert is_certain(made) == certain
    found = life(made, users=3, study=False)
    assert len(found.days) == (1 if certain else 3)
    assert found.users == 3


def test_study_needs_a_gadget_and_a_user(tmp_path: Path) -> None:
    """A call that cannot be answered is refused."""
    made = pattern(tmp_path, lamp(), head())
    with pytest.raises(UsageError, match="At least one user"):
        life(made, users=0)
    with pytest.raises(UsageError, match="no gadget"):
        life(dataclasses.replace(made, gadget=None))


def test_users_that_never_charge_are_left_out_and_told(tmp_path: Path) -> None:
    """The others are answered for; text and JSON say how many are missing."""
    made = pattern(tmp_path, lamp(capacity="20 mAh ± 5 %"), head(horizon="1 day") + RANDOM)
    found = life(made, users=4, study=False)
    spread = spread_of(np.array([10.0, np.nan, 12.0, 14.0]), certain=False)
    assert spread.mean == 12.0
    told = "1 of 4 users never charged twice; left out"
    assert spread.why == {"days_between_charges.users": told}
    assert told in life_text(dataclasses.replace(found, why=found.why | spread.why))
    alone = spread_of(np.array([10.0, np.nan]), certain=False, charged=False)
    assert alone.why["days_between_charges.users"] == "1 of 2 users never ran empty; left out"


def test_a_study_of_one_span_of_each_user_says_so(tmp_path: Path) -> None:
    """Of a day little is known about the next charge but one; of two months much is."""
    charger = "[charger]\ncurrent = \"60 mA\"\nfloat = \"4.2 V\"\nfinish = \"10 %\"\n"
    plug = ('[[habits]]\nname = "plug"\nwhen = "cell.charge < 0.4"\n'
            'steps = [ { usb = true }, { wait = "5 h" }, { usb = false } ]\n')
    told = {}
    for horizon in ("1 day", "8 weeks"):
        made = pattern(tmp_path, lamp(capacity="60 mAh", more=charger),
                       head(horizon=horizon) + RANDOM + plug)
        found = life(made, users=2, study=False)
        assert found.mean_days is not None
        told[horizon] = "one span of each user" in life_text(found)
    assert told == {"1 day": True, "8 weeks": False}


def test_too_few_users_tell_nothing_about_contributors() -> None:
    """With fewer than eight users, or no spread at all, every share is nothing."""
    points = np.random.default_rng(0).random((20, 2))
    assert first_order(points[:7].__getitem__, points[:7, 0]).tolist() == [0.0, 0.0]
    assert first_order(points.__getitem__, np.ones(20)).tolist() == [0.0, 0.0]


def test_typical_users_do_about_as_much_as_most() -> None:
    """One in four, up to four, those nearest to the median."""
    assert typical_users(np.array([1.0])) == (0,)
    assert typical_users(np.array([0.2, 1.0, 3.0])) == (1,)
    assert typical_users(np.array([0.1, 1.0, 9.0, 1.1, 0.9, 2.0, 0.2, 5.0])) == (1, 3)
    many = np.linspace(0.0, 2.0, 101)
    assert typical_users(many) == (48, 49, 50, 51)


def test_changes_and_corners_are_those_of_the_closed_form(tmp_path: Path) -> None:
    """A lamp that is always on: twice the resistance, half the current, twice the days."""
    gadget = """
[gadget]
name = "Glow"
[cell]
curve = "lco"
capacity = "100 mAh ± 10 %"
self_discharge = "0 %/month"
[loads]
glow = { current = "2 mA (1 mA .. 4 mA)" }
[behaviour.lamp]
starts = "lit"
states.lit = { glow = "on" }
"""
    made = pattern(tmp_path, gadget, head())
    (current, capacity) = best_changes(made, 0, False)
    assert current.change == "loads.glow.current: 2 mA -> 1 mA"
    assert current.gain_days == pytest.approx(50.0 / 24.0, rel=1e-3)
    assert capacity.change == "cell.capacity: 100 mAh -> 150 mAh"
    assert capacity.gain_days == pytest.approx(25.0 / 24.0, rel=1e-3)
    assert corners(made, 0, False) == pytest.approx((90 / 4 / 24, 110 / 1 / 24), rel=1e-3)


def test_how_much_users_do_is_a_contributor(tmp_path: Path) -> None:
    """Where only the strength of the habits differs, the days hang on it and on chance."""
    glances = """
[[habits]]
name = "glances"
each = "day"
times = 20
strength = "20 % .. 200 %"
steps = [
  { press = "key", for = "200 ms" },
  { wait = "3 min" },
  { press = "key", for = "200 ms" },
]
"""
    made = pattern(tmp_path, lamp(capacity="60 mAh"), head(horizon="1 day") + glances)
    found = life(made, users=24, study=False)
    shares = {one.name: one.share for one in found.contributors}
    assert set(shares) <= {"habits", "day to day"}
    assert shares["habits"] > 0.7
    assert "habits" in life_text(found)


@pytest.mark.parametrize("name", ["larder-lamp/household", "cellar-steps/potatoes"])
def test_gains_and_corners_are_those_of_a_middling_user(name: str) -> None:
    """Half as much capacity again adds about half the median, however long one span came out."""
    folder, _, pattern = name.partition("/")
    path = Path(__file__).parents[2] / "scenarios" / folder / "expected" / f"{pattern}.json"
    study = json.loads(path.read_text(encoding="utf-8"))
    median = study["days_between_charges"]["p50"]
    gain = next(one["gain_days"] for one in study["changes"] if "cell.capacity" in one["change"])
    assert gain == pytest.approx(0.5 * median, rel=0.3)  # one span ends when somebody charges
    assert study["corners_days"]["worst"] < median < study["corners_days"]["best"]
