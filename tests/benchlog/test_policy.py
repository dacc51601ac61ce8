"""What `next` begins with, against the best possible order, found by trying every one."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from statistics import mean

import pytest

from simfw.benchlog.experiments import Experiment, Prediction
from simfw.benchlog.policy import begin_with

MINUTES = (0.1, 0.2, 0.5, 1.0, 2.0, 2.0, 3.0, 5.0, 15.0, 50.0, 160.0, 20160.0)
"""From a press to a fortnight in a drawer."""

Left = tuple[tuple[int, ...], ...]


def experiment(name: str, minutes: float, sights: list[str]) -> Experiment:
    """An experiment of which explanation n predicts the n-th sight."""
    return Experiment(
        name=name, kind="", hands="", minutes=minutes, kit=("eyes",), unit="", blur=0.0, bits=1.0,
        predictions=tuple(Prediction(combination=(n,), sights=(one,))
                          for n, one in enumerate(sights)))


def drawn(number: int) -> tuple[list[Experiment], Left]:
    """Case `number`: three to eight explanations, three to seven experiments."""
    rng = random.Random(number)
    size = rng.randint(3, 8)
    looks = []
    for k in range(rng.randint(3, 7)):
        sights = rng.choice((2, 2, 2, 3, 4))
        minutes = rng.choice(MINUTES) if rng.random() < 0.7 else rng.uniform(0.1, 200.0)
        looks.append(experiment(
            f"look {k}", minutes, [str(rng.randrange(sights)) for _ in range(size)]))
    return looks, tuple((n,) for n in range(size))


def expected(
    looks: list[Experiment], explanations: Left,
    choose: Callable[[list[Experiment], Left, Callable[[Experiment], float]], float],
) -> float:
    """Minutes expected until nothing tells more, by a rule that chooses among what still tells."""

    def groups(look: Experiment, left: Left) -> list[Left]:
        found: dict[str, list[tuple[int, ...]]] = {}
        for one in left:
            found.setdefault(look.predictions[one[0]].sights[0], []).append(one)
        return [tuple(group) for group in found.values()]

    @cache
    def from_here(left: Left) -> float:
        telling = [look for look in looks if len(groups(look, left)) > 1]
        if not telling:
            return 0.0
        return choose(telling, left, lambda look: look.minutes + sum(
            len(group) / len(left) * from_here(group) for group in groups(look, left)))

    return from_here(explanations)


def best(telling: list[Experiment], left: Left, cost: Callable[[Experiment], float]) -> float:
    """The least of all."""
    return min(map(cost, telling))


def at_random(telling: list[Experiment], left: Left, cost: Callable[[Experiment], float]) -> float:
    """Any of those that tell something, with the same chance."""
    return mean(map(cost, telling))


def policy(telling: list[Experiment], left: Left, cost: Callable[[Experiment], float]) -> float:
    """What `next` would begin with."""
    plan = begin_with(telling, left)
    assert plan is not None
    return cost(plan.first)


def test_the_expected_effort_is_near_the_best_possible_and_far_below_random():
    """In each of 300 cases at most 1.1 times the best; on average at most 0.6 times random."""
    shares = []
    for number in range(300):
        looks, explanations = drawn(number)
        efforts = [expected(looks, explanations, rule) for rule in (policy, best, at_random)]
        assert efforts[0] <= 1.1 * efforts[1], number
        if efforts[2] > 0:
            shares.append(efforts[0] / efforts[2])
    assert mean(shares) <= 0.6


def test_many_explanations_are_told_apart_about_as_soon_as_by_every_order(monkeypatch):
    """Where not every order is tried, what is begun with is on average still near the best."""
    monkeypatch.setattr("simfw.benchlog.policy._EVERY", 0)
    shares = []
    for number in range(120):
        looks, explanations = drawn(number)
        efforts = [expected(looks, explanations, rule) for rule in (policy, best)]
        shares += [efforts[0] / efforts[1]] if efforts[1] > 0 else []
    assert mean(shares) <= 1.01
    assert max(shares) <= 1.2


def test_a_cheap_look_that_tells_little_does_not_come_first():
    """Bits per minute would look at the cheap one first, and needs the dear one all the same."""
    cheap = experiment("cheap", 9.0, ["a", "a", "a", "b"])
    dear = experiment("dear", 24.0, ["a", "b", "c", "d"])
    plan = begin_with([cheap, dear], [(n,) for n in range(4)])
    assert plan is not None
    assert plan.first is dear
    assert plan.minutes == pytest.approx(24.0)


def test_readings_that_overlap_are_not_counted_on():
    """Of three readings in a row, each overlapping the next, none is surely told from another."""
    row = tuple(Prediction(combination=(n,), low=1.0 * n, high=1.0 * n + 1.5) for n in range(3))
    meter = replace(experiment("meter", 2.0, []), unit="A", blur=0.01, predictions=row)
    assert meter.tells((0,), (2,))
    assert begin_with([meter], [(0,), (1,), (2,)]) is None
    plan = begin_with([meter], [(0,), (2,)])
    assert plan is not None
    assert plan.minutes == pytest.approx(2.0)
