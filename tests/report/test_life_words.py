"""The words of a study: what is told of each answer, and why where there is none."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simfw.life.life import Life, life, spread_of
from simfw.report.life import life_text
from tests.life.made import CHARGER, EVENING, head, lamp, pattern

MONDAYS = """
[[habits]]
name = "charge"
each = "monday"
at = "12:00"
steps = [ { usb = true }, { wait = "2 h" }, { usb = false } ]
"""


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Life:
    """A study of one user of a small lamp with a charger, who plugs it in on Mondays."""
    folder = tmp_path_factory.mktemp("lamp")
    text = lamp(capacity="30 mAh", more=CHARGER)
    made = pattern(folder, text, head(horizon="1 day") + EVENING + MONDAYS)
    return life(made, users=1, study=False)


def row(found: Life, name: str) -> str | None:
    """The row of the report that begins with a name, its columns one space apart."""
    joined = re.sub(r"(?<=[,;])\n {20,}", " ", life_text(found))  # what goes on below itself
    lines = [" ".join(line.split()) for line in joined.splitlines()]
    return next((line for line in lines if line.startswith(name)), None)


def test_days_come_with_their_errors_where_these_are_known(found: Life) -> None:
    """The median with its error, the mean with that of 95 of 100 studies, and who is left out."""
    whole = replace(
        found, days=np.full(12, 5.5), percentiles=(2.0, 5.0, 9.0), errors_days=(0.1, 0.5, 0.2),
        mean_days=5.5,
        error_days=0.25, why={"days_between_charges.users": "3 users never charged"})
    assert row(whole, "between charges, median") == (
        "between charges, median 5 days one in ten below 2 days, one in ten above 9 days; "
        "median ± 12 h")
    assert row(whole, "between charges, mean") == (
        "between charges, mean 5.5 days ± 6 h (95 %)")
    assert row(whole, "3 users never charged") is not None
    bare = replace(whole, errors_days=None, error_days=None, why={})
    assert row(bare, "between charges, median") == (
        "between charges, median 5 days one in ten below 2 days, one in ten above 9 days")
    assert row(bare, "between charges, mean") == "between charges, mean 5.5 days"
    certain = replace(whole, errors_days=(0.0, 0.0, 0.0))
    assert str(row(certain, "between charges, median")).endswith("; median ± 0 days")


@pytest.mark.parametrize(("days", "told"), [
    (5.5, "5.5 days ± 0 days"), (1.0, "1 day ± 0 days"), (0.25, "6 h ± 0 h"),
    (3 * 365.25, "3 years ± 0 years"),
])
def test_an_error_of_none_has_the_unit_of_what_it_belongs_to(
    found: Life, days: float, told: str
) -> None:
    """Where nothing is drawn at random the mean is certain: no error, and of what."""
    certain = replace(found, days=np.full(1, days), percentiles=(days,) * 3,
                      errors_days=(0.0,) * 3, mean_days=days, error_days=0.0, why={})
    assert row(certain, "between charges, mean") == f"between charges, mean {told} (95 %)"


def test_of_a_few_users_the_range_is_told_that_was_seen(found: Life) -> None:
    """Of two users none is one in ten; an error as large as its figure is not told, but why."""
    days = np.array([2.0, 3.5])
    spread = spread_of(days, certain=False)
    assert (spread.mean, spread.error) == (2.75, None)
    few = replace(found, days=days, users=2, percentiles=spread.percentiles,
                  errors_days=spread.errors, mean_days=spread.mean, error_days=spread.error,
                  why=spread.why)
    assert row(few, "between charges, median") == (
        "between charges, median 2.75 days seen: 2 days .. 3.5 days")
    assert row(few, "between charges, mean") == (
        "between charges, mean 2.75 days "
        "2 users are too few to tell how far it may be off")
    one = spread_of(days[:1], certain=False)
    alone = replace(few, days=days[:1], users=1, percentiles=one.percentiles,
                    errors_days=one.errors, mean_days=one.mean, error_days=one.error, why=one.why)
    assert row(alone, "between charges, median") == "between charges, median 2 days"
    assert row(alone, "between charges, mean") == (
        "between charges, mean 2 days one user tells nothing about the others")


@pytest.mark.parametrize("count", [2, 3, 5, 20])
def test_no_error_is_as_large_as_its_figure(count: int) -> None:
    """Whatever the users' days: an error is smaller than what it belongs to, or it is not there."""
    rng = np.random.default_rng(count)
    for _ in range(20):
        spread = spread_of(rng.lognormal(sigma=1.5, size=count), certain=False)
        assert spread.mean is not None
        assert spread.percentiles is not None
        assert spread.errors is not None
        pairs = [(spread.error, spread.mean), *zip(spread.errors, spread.percentiles, strict=True)]
        assert all(error is None or error < of for error, of in pairs)


def test_no_span_that_ended_is_told_with_its_reason(found: Life) -> None:
    """None, and why."""
    none = replace(found, percentiles=None, mean_days=None,
                   why={"days_between_charges": "nobody plugs it in"})
    assert row(none, "days between charges") == "days between charges none nobody plugs it in"
    assert row(none, "between charges") is None


def test_parts_waves_refusals_and_dead_time_have_rows_only_where_there_is_something(
    found: Life,
) -> None:
    """The worst and best parts may never end; shares come with what they are shares of."""
    told = replace(found, corners_days=(3.0, math.inf), missed_wave_share=0.25, waves=40,
                   refused_share=0.1, dead_share=0.02)
    assert row(told, "worst and best parts") == (
        "worst and best parts 3 days .. no end every range at one end, for typical users")
    assert row(told, "waves missed") == "waves missed 25 % of 40 waves at a sensor that was on"
    assert row(told, "no light when wanted") == (
        "no light when wanted 10 % of presses and waves found the cell flat or cut off")
    assert row(told, "protection open") == "protection open 2 % of the time watched"
    bare = replace(found, corners_days=None, missed_wave_share=None, refused_share=None,
                   dead_share=0.0)
    for name in ("worst", "waves missed", "no light", "protection open"):
        assert row(bare, name) is None


def test_what_is_held_has_an_end_or_none(found: Life) -> None:
    """Run times, FL 1 times, the charge from empty, the shelf: each or its reason."""
    held = replace(
        found.held, run_time_s={"lamp.lit": 7200.0, "lamp.dim": None, "lamp.low": 3600.0},
        ends_by={"lamp.lit": "the protection opens", "lamp.dim": None, "lamp.low": "cell.flat"},
        fl1_run_time_s={"lamp.lit": 3600.0}, charge_time_s=5400.0, shelf_life_s=None,
        why={"shelf_life_days": "not empty within 20 years"})
    told = replace(found, held=held)
    assert row(told, "lamp.lit held") == (
        "lamp.lit held 2 h until the protection opens; to a tenth of its light (FL 1): 1 h")
    assert row(told, "lamp.low held") == "lamp.low held 1 h then left by cell.flat"
    assert row(told, "lamp.dim held") == "lamp.dim held no end"
    assert row(told, "charge, from cut-off") == "charge, from cut-off 1.5 h"
    assert row(told, "on the shelf, from full") == (
        "on the shelf, from full no end not empty within 20 years")
    never = replace(held, charge_time_s=None, why={"charge_time_s": "it has no charger"})
    assert row(replace(found, held=never), "charge, from cut-off") == (
        "charge, from cut-off none it has no charger")


def test_a_cell_that_is_never_charged_lasts_so_many_days(tmp_path: Path) -> None:
    """Without a charger nothing is between charges, and there are none in a year."""
    found = life(pattern(tmp_path, lamp(capacity="30 mAh"), head(horizon="1 day") + EVENING),
                 users=1, study=False)
    told = replace(found, percentiles=(2.0, 5.0, 9.0), mean_days=5.5)
    assert str(row(told, "a cell lasts, median")).startswith("a cell lasts, median 5 days one in")
    assert str(row(told, "a cell lasts, mean")).startswith("a cell lasts, mean 5.5 days")
    none = replace(found, percentiles=None, mean_days=None,
                   why={"days_between_charges": "it outlives the horizon"})
    assert row(none, "days on one cell") == "days on one cell none it outlives the horizon"
    assert row(none, "charges per year") is None
    rest = replace(told, pattern=replace(told.pattern, charge=0.15))
    assert str(row(rest, "a cell at 15 % lasts, median")).startswith("a cell at 15 % lasts, median")
    charged = life(pattern(tmp_path, lamp(capacity="30 mAh", more=CHARGER),
                           head(horizon="1 day") + EVENING), users=1, study=False)
    assert row(charged, "a charge lasts, mean") is not None


@pytest.mark.parametrize(("share", "told"), [
    (0.01234, "within 1.3 %"), (0.02, "within 2 %"), (0.25, "within 25 %"), (1e-9, None),
    (None, None),
])
def test_what_was_added_up_is_told_with_its_bound(
    found: Life, share: float | None, told: str | None
) -> None:
    """Rounded up, and not at all where no digit that is printed would tell."""
    line = row(replace(found, within_share=share), "within")
    what = " current and days: what blinks at beats of its own is added up"
    assert line == (None if told is None else told + what)
