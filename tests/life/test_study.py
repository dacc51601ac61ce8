"""A study as a stream: what is held, in which order groups come back, and processes that die."""

from __future__ import annotations

import multiprocessing
import os
import signal
import tracemalloc
from collections.abc import Iterable, Iterator
from itertools import islice
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import bootstrap

from simfw.errors import RunError
from simfw.life import registers as k
from simfw.life.contributors import first_order
from simfw.life.intervals import half_width_of_mean, half_widths_of_percentiles
from simfw.life.study import Totals, gather
from simfw.life.work import GRAIN_C, Outcome, Task, groups
from simfw.life.workers import Here, Processes
from simfw.stimuli.pattern import DAY_NS, Pattern
from tests.life.made import EVENING, head, lamp, pattern

RANDOM = EVENING.replace('wait = "1 h"', 'wait = "10 min .. 3 h"')


def made(folder: Path, *, capacity: str = "30 mAh ± 10 %") -> Pattern:
    """A lamp that is empty after an evening or two."""
    return pattern(folder, lamp(capacity=capacity), head(horizon="1 day") + RANDOM)


HEAT = tuple(np.random.default_rng(0).integers(10**15, size=672).tolist())


def invented(number: int, users: tuple[int, ...]) -> Outcome:
    """What came of a group, without simulating it."""
    rng = np.random.default_rng(number)
    return Outcome(
        number=number, users=users, days=tuple(rng.random(len(users)).tolist()),
        strengths=(1.0,) * len(users),
        lasted_ns=tuple(rng.integers(1, 30 * DAY_NS, len(users)).tolist()),
        dead_ns=number, plugs=1, counted_ns=4, waves=2, caught=1, asked=3, refused=1,
        used=int(rng.integers(10**15)), heat=HEAT[number % 672 :] + HEAT[: number % 672],
        spent_ns=(5, 6, number), writes=(number, 2),
    )


class Invented:
    """Workers that invent what came of a task."""

    def run(self, tasks: Iterable[Task]) -> Iterator[list[Outcome]]:
        """One task after the other."""
        for task in tasks:
            yield [invented(group.number, group.users) for group in task.groups]


def answers(totals: Totals) -> tuple[object, ...]:
    """All that a study reads from its totals."""
    return (
        totals.days.tolist(), totals.strengths.tolist(), totals.heat_a(), totals.total_ns,
        totals.average_current_a, [totals.share_spent(n) for n in range(3)], totals.plugs,
        [totals.writes_per_year(n) for n in range(2)],
        totals.waves, totals.caught, totals.asked, totals.refused, totals.dead_ns,
    )


@given(st.permutations(range(12)))
def test_order_of_groups_changes_no_digit(order: list[int]) -> None:
    """Groups that come back in any order give the same answers to the last digit."""
    found = []
    for chosen in (list(range(12)), order):
        totals = Totals(24)
        for number in chosen:
            totals.add(invented(number, (2 * number, 2 * number + 1)))
        found.append(answers(totals))
    assert found[0] == found[1]


def test_time_lived_in_each_quarter_is_counted_once() -> None:
    """A steady current shows in each quarter of the week, whatever part of it was lived."""
    current_a, quarter_s = 1e-3, k.QUARTER_NS * 1e-9
    totals = Totals(3)
    for user, quarters in enumerate((3.25, 671.5, 2 * 672 + 10.75)):
        whole, rest = divmod(quarters, 672)
        lived_s = [
            quarter_s * (whole + min(max(rest - n, 0.0), 1.0)) for n in range(672)
        ]
        totals.add(Outcome(
            number=user, users=(user,), days=(None,), strengths=(1.0,),
            lasted_ns=(round(quarters * k.QUARTER_NS),), dead_ns=0, plugs=0, counted_ns=0,
            waves=0, caught=0,
            asked=0, refused=0, used=round(current_a * sum(lived_s) / GRAIN_C),
            heat=tuple(round(current_a * s / GRAIN_C) for s in lived_s), spent_ns=(1,),
            writes=(),
        ))
    assert totals.heat_a() == pytest.approx([current_a] * 672, rel=1e-9)
    assert totals.average_current_a == pytest.approx(current_a, rel=1e-9)
    assert np.isnan(totals.days).all()


def peak_bytes(study: Pattern, users: int) -> int:
    """The most memory that a study holds at once."""
    tracemalloc.start()
    gather(study, users, 0, fast=False, workers=Invented())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak


def test_memory_grows_by_a_few_numbers_per_user(tmp_path: Path) -> None:
    """A study holds two numbers for each user, and no lists of users, groups or lives."""
    study = made(tmp_path)
    peak_bytes(study, 100)
    few, many = 1_000, 6_000
    growth = peak_bytes(study, many) - peak_bytes(study, few)
    assert growth < 24 * (many - few)


def test_tasks_are_made_no_earlier_than_they_are_needed(tmp_path: Path) -> None:
    """Processes take one task each, however many there are."""
    study = made(tmp_path)
    taken = 0

    def tasks() -> Iterator[Task]:
        nonlocal taken
        for group in groups(study, 40, 0):
            taken += 1
            yield Task(pattern=study, seed=0, fast=False, groups=(group,))

    with Processes(2) as workers:
        for done, _ in enumerate(workers.run(tasks()), start=1):
            # Handed out: one in work for each, and as many that have ended in the meantime.
            assert taken <= done + 2 * 2
    assert taken == done == 40


def test_every_user_is_in_one_group_only(tmp_path: Path) -> None:
    """Groups share out all users, up to eight each, with the parts of their row."""
    for capacity, users in (("30 mAh", 21), ("30 mAh ± 10 %", 21), ("30 mAh ± 10 %", 5000)):
        found = list(groups(made(tmp_path, capacity=capacity), users, 3))
        everyone = [user for group in found for user in group.users]
        assert sorted(everyone) == list(range(users))
        assert max(len(group.users) for group in found) <= 8
        assert [group.number for group in found] == list(range(len(found)))


def test_a_process_that_dies_is_told(tmp_path: Path) -> None:
    """A process ended from outside is a message, not a study that hangs or a half answer."""
    study = made(tmp_path)
    before = set(multiprocessing.active_children())
    tasks = (
        Task(pattern=study, seed=0, fast=False, groups=(group,)) for group in groups(study, 60, 0)
    )
    with Processes(1) as workers:
        results = workers.run(tasks)
        next(results)
        (child,) = set(multiprocessing.active_children()) - before
        assert child.pid is not None
        os.kill(child.pid, signal.SIGKILL)
        with pytest.raises(RunError, match="was ended from outside"):
            list(results)


def test_a_process_that_dies_in_the_middle_of_its_answer_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half an answer is waited for by nobody, whatever the other processes do."""
    study = made(tmp_path)
    first = os.getpid()
    whole = Connection._send  # type: ignore[attr-defined]

    def half(pipe: Connection, text: bytes, *more: object) -> None:
        if os.getpid() == first or len(text) < 100:
            whole(pipe, text, *more)
            return
        os.write(pipe.fileno(), bytes(text[: len(text) // 2]))
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr(Connection, "_send", half)
    tasks = [Task(pattern=study, seed=0, fast=False, groups=(group,))
             for group in groups(study, 60, 0)]
    with Processes(2) as workers, pytest.raises(RunError, match="was ended from outside"):
        list(workers.run(tasks))


def test_contributors_do_not_hang_on_the_size_of_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Users fitted in blocks give the shares of a fit of all at once."""
    points = np.random.default_rng(3).random((4000, 4))
    values = points[:, 0] + 0.5 * points[:, 1] ** 2
    shares = [first_order(points.__getitem__, values)]
    monkeypatch.setattr("simfw.life.contributors.BLOCK", 64)
    shares.append(first_order(points.__getitem__, values))
    assert shares[1] == pytest.approx(shares[0], abs=1e-9)
    # x has a variance of 1/12, x²/2 one of 1/45 (moments of the even distribution).
    assert shares[0] == pytest.approx([45 / 57, 12 / 57, 0.0, 0.0], abs=0.03)


def test_intervals_agree_with_resampling() -> None:
    """Errors of mean and median are those that drawing the users anew shows, at the same level."""
    days = np.random.default_rng(5).gamma(3.0, 10.0, size=201)
    rng = np.random.default_rng(6)
    for found, statistic in (
        (half_width_of_mean(days), np.mean),
        (half_widths_of_percentiles(days, (0.5,))[0], np.median),
    ):
        reference = bootstrap((days,), statistic, n_resamples=4000, rng=rng, method="basic")
        assert found == pytest.approx(2.326 * reference.standard_error, rel=0.05)


def test_here_does_tasks_in_order(tmp_path: Path) -> None:
    """One process asks for a task only when the one before it is done."""
    study = made(tmp_path)
    tasks = (
        Task(pattern=study, seed=0, fast=False, groups=(group,)) for group in groups(study, 9, 0)
    )
    found = [outcome.number for outcomes in islice(Here().run(tasks), 3) for outcome in outcomes]
    assert found == [0, 1, 2]
    assert next(tasks).groups[0].number == 3
