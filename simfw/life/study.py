"""A study as a stream: groups go out, what came of each comes back and is added up.

What is held grows by two numbers per user and nothing else. Sums are whole numbers, and what is
kept per user has its place, so that the order in which groups come back changes no digit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from simfw.life import registers as k
from simfw.life.work import GRAIN_C, Group, Outcome, Task, groups
from simfw.life.workers import Here, Workers
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern

__all__ = ["Keeper", "Progress", "Totals", "gather"]

Array = NDArray[np.float64]
Progress = Callable[[int, int], None]


class Keeper(Protocol):
    """Where finished groups are kept, by the number of the design that they belong to."""

    def outcomes(self, design: int) -> Iterator[Outcome]:
        """The groups kept for a design so far."""
        ...

    def add(self, design: int, outcome: Outcome) -> None:
        """Keep one more."""
        ...


class Totals:
    """What came of all users so far; `days` is NaN where no span ended. `within_share` as in
    `PartTables`, the largest of all.
    """

    def __init__(self, users: int) -> None:
        self.days: Array = np.full(users, np.nan)
        self.strengths: Array = np.ones(users)
        self.total_ns = self.dead_ns = self.plugs = self.counted_ns = 0
        self.waves = self.caught = self.asked = self.refused = self._used = 0
        self.within_share: float | None = None
        self._heat = [0] * k.QUARTERS
        self._spent_ns: list[int] = []
        self._writes: list[int] = []
        # Of each user's time: whole weeks, and by the last quarter begun what lies in it.
        self._weeks = 0
        self._ended = [0] * k.QUARTERS
        self._rest_ns = [0] * k.QUARTERS

    def add(self, found: Outcome) -> None:
        """Add what came of a group."""
        chosen = list(found.users)
        self.days[chosen] = [np.nan if one is None else one for one in found.days]
        self.strengths[chosen] = found.strengths
        for total_ns in found.lasted_ns:
            weeks, rest = divmod(total_ns, 7 * DAY_NS)
            quarter, part = divmod(rest, k.QUARTER_NS)
            self._weeks += weeks
            self._ended[quarter] += 1
            self._rest_ns[quarter] += part
            self.total_ns += total_ns
        self.dead_ns += found.dead_ns
        self.plugs += found.plugs
        self.counted_ns += found.counted_ns
        self.waves += found.waves
        self.caught += found.caught
        self.asked += found.asked
        self.refused += found.refused
        self._used += found.used
        if found.within_share is not None:
            self.within_share = max(found.within_share, self.within_share or 0.0)
        self._heat = [a + b for a, b in zip(self._heat, found.heat, strict=True)]
        spent = self._spent_ns or [0] * len(found.spent_ns)
        self._spent_ns = [a + b for a, b in zip(spent, found.spent_ns, strict=True)]
        writes = self._writes or [0] * len(found.writes)
        self._writes = [a + b for a, b in zip(writes, found.writes, strict=True)]

    @property
    def average_current_a(self) -> float:
        """What all consumers drew, over all the time of all users (A)."""
        return self._used * GRAIN_C / (self.total_ns * 1e-9)

    @property
    def missed_wave_share(self) -> float | None:
        """Of all waves at a sensor that was on, those not caught; None where there were none."""
        return 1.0 - self.caught / self.waves if self.waves else None

    def heat_a(self) -> tuple[float, ...]:
        """Mean current per quarter of an hour of the week (A), over all weeks of all users."""
        found = []
        whole = sum(self._ended)
        for ended, rest_ns, grains in zip(self._ended, self._rest_ns, self._heat, strict=True):
            whole -= ended
            lived_ns = (self._weeks + whole) * k.QUARTER_NS + rest_ns
            found.append(grains * GRAIN_C / (lived_ns * 1e-9) if lived_ns else 0.0)
        return tuple(found)

    def writes_per_year(self, place: int) -> float:
        """How often was written what is kept of a region, by its place among those that keep."""
        return self._writes[place] * YEAR_DAYS * DAY_NS / self.total_ns

    def share_spent(self, flat: int) -> float:
        """The share of all time spent in a flat state."""
        return self._spent_ns[flat] / self.total_ns


def gather(
    pattern: Pattern,
    users: int,
    seed: int,
    *,
    fast: bool,
    workers: Workers | None = None,
    kept: Keeper | None = None,
    design: int = 0,
    per_task: int = 1,
    progress: Progress | None = None,
) -> Totals:
    """Simulate the users of a pattern and add up what came of them.

    `workers` do the work (else this process), `per_task` groups at a time; groups that `kept` has
    are taken from there, and each further one is kept as soon as it is known. None of these changes
    the result. `progress(done, users)` is called as users are finished.
    """
    totals = Totals(users)
    known: set[int] = set()
    done = 0
    for found in () if kept is None else kept.outcomes(design):
        known.add(found.number)
        totals.add(found)
        done += len(found.users)
    if progress is not None:
        progress(done, users)
    left = (group for group in groups(pattern, users, seed) if group.number not in known)
    for outcomes in (workers or Here()).run(_tasks(pattern, seed, fast, left, per_task)):
        for found in outcomes:
            if kept is not None:
                kept.add(design, found)
            totals.add(found)
            done += len(found.users)
            if progress is not None:
                progress(done, users)
    return totals


def _tasks(
    pattern: Pattern, seed: int, fast: bool, left: Iterator[Group], per_task: int
) -> Iterator[Task]:
    chosen: list[Group] = []
    for group in left:
        chosen.append(group)
        if len(chosen) == per_task:
            yield Task(pattern=pattern, seed=seed, fast=fast, groups=tuple(chosen))
            chosen = []
    if chosen:
        yield Task(pattern=pattern, seed=seed, fast=fast, groups=tuple(chosen))
