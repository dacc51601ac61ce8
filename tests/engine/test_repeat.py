"""The life of a cell under a repeated scenario."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from simfw import Run, Scenario, load_scenario, simulate
from simfw.engine import repeat
from simfw.engine.folds import Folds
from simfw.engine.repeat import (
    RepeatLife,
    Trial,
    count_repetitions,
    repeat_life,
    time_left,
)
from simfw.engine.simulator import Prepared
from simfw.gadget.model import Rule
from simfw.gadget.quantities import with_values
from simfw.stimuli.scenario import Press, Usb, Wave

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"
DAY_NS = 86_400 * 10**9


def counted_one_by_one(trial: object, most: int = 1_000_000) -> float:
    """Repetitions by running each: the plain meaning of the count."""
    charge = 1.0
    for count in range(most):
        result = trial(charge)  # type: ignore[operator]
        if result.emptied_after is not None:
            return count + result.emptied_after
        charge = result.end_charge
    raise AssertionError("it does not end")


def steady(drop: float) -> object:
    """A scenario that takes the same share of charge each time, spread evenly over its length."""

    def trial(charge: float) -> Trial:
        if charge <= drop:
            return Trial(0.0, charge / drop, why="the cell is empty")
        return Trial(charge - drop)

    return trial


def lamp_and_rest(use: float, rest: float, flat: float) -> object:
    """A scenario that takes `use` above the charge `flat` and only `rest` below it."""

    def trial(charge: float) -> Trial:
        drop = use if charge > flat else rest
        failed = None if charge > flat else 0.5
        if charge <= drop:
            return Trial(0.0, charge / drop, failed, "it is dark")
        return Trial(charge - drop, None, failed, "it is dark")

    return trial


def used(run: Run, name: str) -> float:
    """Mean current of one consumer (A)."""
    return next(use.charge_c for use in run.consumers if use.name == name) / run.duration_ns * 1e9


@pytest.fixture(scope="module")
def keys() -> Scenario:
    """A day of the key-hook light."""
    return load_scenario(SCENARIOS / "key-hook/keys-lost.toml")


@given(st.floats(1e-5, 0.9))
def test_a_steady_drain_lasts_for_the_charge_there_is(drop: float) -> None:
    """With the same drop each time, the count is one over the drop."""
    assert count_repetitions(steady(drop)).repetitions == pytest.approx(1 / drop, rel=0.004)


@given(st.floats(0.001, 0.1), st.floats(1, 50), st.floats(0.02, 0.5))
def test_a_jump_in_the_drain_is_found(use: float, ratio: float, flat: float) -> None:
    """Counting by stretches agrees with running each repetition.

    Where the drain falls by `ratio`, the last heavy repetition may have gone as far below the jump
    as `ratio` light ones.
    """
    trial = lamp_and_rest(use, use / ratio, flat)
    exact = counted_one_by_one(trial)
    assert count_repetitions(trial).repetitions == pytest.approx(exact, rel=0.02, abs=1.0 + ratio)


@given(st.floats(1e-4, 0.02), st.floats(-0.5, 2.0))
def test_a_drain_that_changes_with_the_charge(drop: float, slope: float) -> None:
    """A drop that grows or falls with the charge is counted within a percent."""

    def trial(charge: float) -> Trial:
        taken = drop * (1 + slope * charge)
        return Trial(0.0, charge / taken) if charge <= taken else Trial(charge - taken)

    exact = counted_one_by_one(trial)
    assert count_repetitions(trial).repetitions == pytest.approx(exact, rel=0.01, abs=0.5)


def test_few_trials_are_needed() -> None:
    """Ten thousand repetitions are counted with a few dozen runs."""
    calls = []

    def trial(charge: float) -> Trial:
        calls.append(charge)
        return lamp_and_rest(1e-4, 1e-5, 0.1)(charge)  # type: ignore[operator]

    count = count_repetitions(trial)
    assert count.repetitions == pytest.approx(9000 + 10_000, rel=0.01)
    assert len(calls) <= 60


def test_the_end_of_what_is_asked_is_counted_apart() -> None:
    """Repetitions that do all that is asked are counted down to the first that does not."""
    count = count_repetitions(lamp_and_rest(0.01, 0.0001, 0.1))  # type: ignore[arg-type]
    assert count.served == pytest.approx(90.5, abs=1.0)
    assert count.served_why == "it is dark"
    assert count.served_to == pytest.approx(0.1, abs=0.01)
    always = count_repetitions(steady(0.01))  # type: ignore[arg-type]
    assert always.served == always.repetitions
    assert always.served_why == "the cell is empty"
    never = count_repetitions(lamp_and_rest(0.01, 0.01, 2.0))  # type: ignore[arg-type]
    assert never.served == 0.5


@given(st.floats(0.04, 0.3), st.floats(0.05, 0.9))
@example(0.296875, 0.25)  # the one that fails begins far below the charge at which one first would
def test_few_repetitions_are_served_to_the_very_one(use: float, flat: float) -> None:
    """Where repetitions are few, the one that fails first is the one found by running each."""
    trial = lamp_and_rest(use, use / 2, flat)
    charge, before = 1.0, 0
    while trial(charge).failed is None:  # type: ignore[operator]
        charge, before = trial(charge).end_charge, before + 1  # type: ignore[operator]
    exact = before + trial(charge).failed  # type: ignore[operator]
    assert count_repetitions(trial).served == pytest.approx(exact, abs=1e-9)  # type: ignore[arg-type]


@given(st.floats(1e-4, 0.1), st.floats(-0.5, 1.0), st.floats(0.02, 0.98))
@example(0.0115, 0.96, 0.891)  # the sixth repetition, counted as the fifth and most of it
@example(1.4e-4, 0.3, 0.9)  # 554, where a straight line through the count of the whole tells 582
def test_what_is_asked_is_done_as_often_as_each_run_tells(
    drop: float, slope: float, flat: float
) -> None:
    """Where a repetition takes more or less as the charge falls: failing anywhere, it is told to
    the very one of few, else to one of many.
    """

    def trial(charge: float) -> Trial:
        takes = drop * (1.0 + slope * charge)
        failed = max(0.0, (charge - flat) / takes) if charge - takes < flat else None
        if charge <= takes:
            return Trial(0.0, charge / takes, failed, "it is dark")
        return Trial(charge - takes, None, failed, "it is dark")

    charge, served = 1.0, 0.0
    while trial(charge).failed is None:
        charge, served = trial(charge).end_charge, served + 1.0
    served += trial(charge).failed or 0.0
    near = 1e-9 if served < 30.0 else 1.0 + 0.003 * served
    assert count_repetitions(trial).served == pytest.approx(served, abs=near)


def test_a_charge_that_comes_to_rest_has_no_count() -> None:
    """A charger that gives back what is used at some charge ends the count; what fails is told."""

    def trial(charge: float) -> Trial:
        return Trial(max(charge - 0.01, 0.5))

    count = count_repetitions(trial)
    assert count.repetitions is None
    assert count.served is None
    assert count.rests_at is not None
    assert 0.4 < count.rests_at <= 0.5

    def refused(charge: float) -> Trial:
        return replace(trial(charge), failed_after=None if charge > 0.7 else 0.0)

    assert count_repetitions(refused).served == pytest.approx(30, abs=1)


def test_life_of_a_plain_drain_is_capacity_over_current(keys: Scenario) -> None:
    """Standby of a gadget without self-discharge: capacity over its current, to a second."""
    gadget = keys.gadget
    assert gadget is not None
    cell = gadget.cell.model_copy(update={"self_discharge": None, "cut_off": None})
    plain = gadget.model_copy(update={"cell": cell})
    run = simulate(plain, replace(keys, steps=(), gadget=plain, lasts_ns=10 * DAY_NS))
    life = repeat_life(run)
    expected_days = run.capacity_c / run.average_current_a / 86_400
    assert life.days == pytest.approx(expected_days, rel=1e-3)
    assert life.why is None


def test_life_is_none_where_the_charger_gives_back_what_is_used() -> None:
    """The net charge decides; the reason is said."""
    scenario = load_scenario(SCENARIOS / "larder-lamp/jam-making.toml")
    gadget = scenario.gadget
    assert gadget is not None
    life = repeat_life(simulate(gadget, scenario))
    why = "no end: charging replaces at least what is used"
    assert life == RepeatLife(days=None, why=why, served_why=why)


def test_life_settles_where_a_daily_charge_is_enough() -> None:
    """A run that used more than it was given, from full, but would not at a lower charge."""
    scenario = load_scenario(SCENARIOS / "larder-lamp/jam-making.toml")
    gadget = scenario.gadget
    assert gadget is not None
    steps = (Usb(at_ns=0, present=True), Usb(at_ns=3600 * 10**9, present=False))
    run = simulate(gadget, replace(scenario, charge=1.0, steps=steps, lasts_ns=DAY_NS))
    assert run.charge_used_c > run.charger_charge_c
    life = repeat_life(run)
    assert life.days is None
    assert life.why is not None
    assert "the charger gives back what is used" in life.why


def test_what_is_done_until_the_cell_is_empty_is_done_as_often_as_it_lasts() -> None:
    """A share of 4e-7 each time: no repetition tried on the way empties it, and all serve."""
    drop = 4e-7

    def trial(charge: float) -> Trial:
        if charge <= drop:
            return Trial(0.0, charge / drop, charge / drop, "the cell is empty")
        return Trial(charge - drop)

    count = count_repetitions(trial)
    assert count.repetitions == pytest.approx(1.0 / drop, rel=5e-3)
    assert count.served == pytest.approx(1.0 / drop, rel=5e-3)
    assert count.served_why == "the cell is empty"


def test_ranges_bracket_the_life_and_move_it_the_right_way(keys: Scenario) -> None:
    """More standby current and less capacity shorten the life, and the other way round."""
    gadget = keys.gadget
    assert gadget is not None
    run = simulate(gadget, keys)
    life = repeat_life(run, ranges=True)
    assert life.days is not None
    assert life.low_days is not None
    assert life.high_days is not None
    assert life.low_days < life.days < life.high_days
    worse = with_values(gadget, {"controller.asleep": 10e-6})
    shorter = repeat_life(simulate(worse, replace(keys, gadget=worse)))
    assert shorter.days is not None
    assert life.low_days < shorter.days < life.days


def test_a_file_without_ranges_has_no_range(keys: Scenario) -> None:
    """All ranges taken out: one life, no corners."""
    from simfw.gadget.quantities import ranged
    from simfw.quantity import Timing

    gadget = keys.gadget
    assert gadget is not None
    points = {
        key: quantity.ns if isinstance(quantity, Timing) else quantity.value
        for key, quantity in ranged(gadget).items()
    }
    exact = with_values(gadget, points)
    life = repeat_life(simulate(exact, replace(keys, gadget=exact)), ranges=True)
    assert life.days is not None
    assert life.low_days is None
    assert life.served_low_days is None


def test_a_timing_with_a_range_is_tried_both_ways() -> None:
    """A faster look costs more; the range of the looks' period widens the range of the life."""
    scenario = load_scenario(SCENARIOS / "larder-lamp/quiet-week.toml")
    gadget = scenario.gadget
    assert gadget is not None
    wave = gadget.proximity["wave"]
    every = replace(wave.every, low_ns=wave.every.ns // 2, high_ns=wave.every.ns * 2)
    loose = gadget.model_copy(
        update={"proximity": {"wave": wave.model_copy(update={"every": every})}}
    )
    tight = repeat_life(simulate(gadget, scenario), ranges=True)
    wide = repeat_life(simulate(loose, replace(scenario, gadget=loose)), ranges=True)
    assert tight.low_days is not None
    assert tight.high_days is not None
    assert wide.low_days is not None
    assert wide.high_days is not None
    assert wide.low_days < 0.7 * tight.low_days
    assert wide.high_days > 1.3 * tight.high_days


def test_time_left_is_the_time_until_the_protection_opens(keys: Scenario) -> None:
    """Going on untouched from the end empties the cell at that time."""
    gadget = keys.gadget
    assert gadget is not None
    run = simulate(gadget, replace(keys, charge=0.02, steps=(), lasts_ns=DAY_NS))
    left = time_left(run)
    assert left.seconds is not None
    rest = simulate(
        gadget,
        replace(keys, steps=(), lasts_ns=int(2 * left.seconds) * 10**9),
        resume=run.final,
    )
    assert rest.empty_at_ns is not None
    assert (rest.empty_at_ns - run.end_ns) / 1e9 == pytest.approx(left.seconds, rel=1e-9)


def test_time_left_says_why_there_is_none(keys: Scenario) -> None:
    """Plugged in, opened already, or longer than anybody will wait."""
    scenario = load_scenario(SCENARIOS / "larder-lamp/jam-making.toml")
    lamp = scenario.gadget
    assert lamp is not None
    plugged = simulate(
        lamp, replace(scenario, steps=(Usb(at_ns=0, present=True),), lasts_ns=10**9)
    )
    assert time_left(plugged).why == "USB is plugged in at the end"
    gadget = keys.gadget
    assert gadget is not None
    empty = simulate(gadget, replace(keys, charge=0.0, steps=(), lasts_ns=10**9))
    assert time_left(empty).why == "the protection is open"
    cell = gadget.cell.model_copy(update={"self_discharge": None})
    bare = gadget.model_copy(update={"cell": cell, "controller": None, "gauge": None,
                                     "behaviour": {}, "rules": ()})  # fmt: skip
    nothing = simulate(bare, replace(keys, gadget=bare, steps=(), lasts_ns=10**9))
    assert time_left(nothing).why == "more than 100 years"
    assert math.isclose(nothing.charge_used_c, 0.0)


def test_rules_about_what_repeats_do_not_slow_a_life_down(keys: Scenario) -> None:
    """A rule on every wink keeps a run from being folded, but not the repetitions of a life."""
    gadget = keys.gadget
    assert gadget is not None
    rule = Rule.model_validate({"name": "a wink is short", "when": "lamp_mode.wink.out",
                                "then": "lamp_mode.wink.in", "within": "1 min"})  # fmt: skip
    watched = gadget.model_copy(update={"rules": (*gadget.rules, rule)})
    short = replace(keys, lasts_ns=20 * 10**9)
    with_rule = simulate(watched, replace(short, gadget=watched))
    assert [verdict.name for verdict in with_rule.rules][-1] == "a wink is short"
    plain = simulate(gadget, short)
    assert repeat_life(with_rule) == repeat_life(plain)
    assert time_left(with_rule) == time_left(plain)


def test_repetitions_in_which_folds_spare_little_are_gone_through_without(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The first one tells: to find what comes round would take longer in the others. Where folds
    spare more they are made. The life is that with folds.
    """
    jam = load_scenario(SCENARIOS / "larder-lamp/jam-making.toml")
    assert jam.gadget is not None
    steps = (Wave(at_ns=10**9, sensor="wave", distance_m=0.1, for_ns=3 * 10**8),
             Press(at_ns=5 * 10**9, button="level", for_ns=10**8))
    looked: list[int] = []
    look = Folds.look

    def counted(self: Folds, *more: Any) -> None:
        looked.append(1)
        look(self, *more)

    monkeypatch.setattr(Folds, "look", counted)
    for seconds, fewer in ((10, True), (60, False)):
        scenario = replace(jam, steps=steps, lasts_ns=seconds * 10**9)
        run = simulate(jam.gadget, scenario, trace=False)
        days, looks = [], []
        for spared in (repeat.SPARED, 0):
            with monkeypatch.context() as changed:
                changed.setattr(repeat, "SPARED", spared)
                looked.clear()
                days.append(repeat_life(run).days)
                looks.append(len(looked))
        assert (4 * looks[0] < looks[1]) == fewer
        assert fewer or looks[0] == looks[1]
        assert days[0] is not None
        assert days[0] == pytest.approx(days[1], rel=1e-9)


def test_the_time_left_is_the_same_with_the_parts_of_the_run() -> None:
    """To the last bit: what the run has learned of instants would have folds begin elsewhere."""
    day = load_scenario(SCENARIOS / "cellar-steps/charging-day.toml")
    assert day.gadget is not None
    prepared = Prepared(day.gadget)
    run = simulate(day.gadget, day, prepared=prepared, trace=False)
    assert time_left(run, prepared=prepared) == time_left(run)


def test_what_is_served_is_counted_where_it_is_asked_for() -> None:
    """The repetitions are the same without, and no trial is made for it."""
    made: list[list[float]] = []

    def trial(charge: float) -> Trial:
        made[-1].append(charge)
        failed = None if charge > 0.31 else 0.5
        if charge <= 1e-3:
            return Trial(0.0, charge / 1e-3, failed, "it is dark")
        return Trial(charge - 1e-3, None, failed, "it is dark")

    counts = []
    for serving in (True, False):
        made.append([])
        counts.append(count_repetitions(trial, serving=serving))
    assert counts[0].repetitions == counts[1].repetitions
    assert counts[0].served is not None
    assert counts[1].served is None
    assert len(made[1]) < len(made[0])
