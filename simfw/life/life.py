"""Many users, many parts: how long it lasts, what that hangs on, and what would help most."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.errors import UsageError
from simfw.life import registers as k
from simfw.life.changes import Change, best_changes, corners
from simfw.life.compiled import can_compile
from simfw.life.contributors import Contributor, contributors
from simfw.life.drawing import warmths
from simfw.life.held import Held, held
from simfw.life.layout import Layout
from simfw.life.sampling import Spread
from simfw.life.user import UserLife
from simfw.life.work import Outcome, Task, groups, run_task
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern, days_of

__all__ = ["Life", "days_of_users", "is_certain", "life"]

Array = NDArray[np.float64]
Progress = Callable[[int, int], None]

Z95 = 1.959963984540054  # of the normal distribution, two-sided
RESAMPLES = 200
WORTH = 200_000  # stimuli from which on compiling pays


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """The answers of a study.

    `days` holds one value per user, the mean time between charges (NaN where none ended).
    `error_days` is half the width of the 95 % interval of their mean; `errors_days` those of P10,
    P50 and P90. `hours_at_bars` are hours a day. `heat_a` is the mean current in each quarter of an
    hour of the week. Where something is None, `why` tells the reason by the name of the answer.
    """

    pattern: Pattern
    users: int
    seed: int
    days: Array
    mean_days: float | None
    percentiles: tuple[float, float, float] | None
    error_days: float | None
    errors_days: tuple[float, float, float] | None
    charges_per_year: float
    average_current_a: float
    missed_wave_share: float | None
    waves: int
    refused_share: float | None
    dead_share: float
    hours_at_bars: dict[int, float]
    heat_a: tuple[float, ...]
    held: Held
    contributors: tuple[Contributor, ...]
    changes: tuple[Change, ...]
    corners_days: tuple[float, float] | None
    why: dict[str, str]


def is_certain(pattern: Pattern) -> bool:
    """Whether nothing about a pattern or its gadget is drawn at random."""
    if pattern.gadget is not None and Spread(pattern.gadget).keys:
        return False
    draws = [pattern.strength] if pattern.habits else []
    for habit in pattern.habits:
        if habit.each == "week" or habit.times.mean is not None:
            return False
        if habit.times.low != habit.times.high:
            return False
        draws += [habit.at_ns] if habit.each is not None else []
        draws += [habit.strength] if habit.strength is not None else []
        for step in habit.steps:
            draws += [step.for_ns, step.distance_m, step.wait_ns]
    strengths = [pattern.strength, *(h.strength for h in pattern.habits if h.strength is not None)]
    whole = all(float(draw.low).is_integer() for draw in strengths)
    return all(draw.fixed for draw in draws) and whole and not pattern.holidays


def _outcomes(
    tasks: Sequence[Task], jobs: int, progress: Progress | None, users: int
) -> Iterator[Outcome]:
    """The outcomes of all tasks in the order of the groups."""
    done = 0
    if jobs <= 1:
        for task in tasks:
            for outcome in run_task(task):
                done += len(outcome.lives)
                if progress is not None:
                    progress(done, users)
                yield outcome
        return
    waiting: dict[int, Outcome] = {}
    following = 0
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        running = {pool.submit(run_task, task) for task in tasks}
        while running:
            finished, running = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                for outcome in future.result():
                    waiting[outcome.number] = outcome
                    done += len(outcome.lives)
            if progress is not None:
                progress(done, users)
            while following in waiting:
                yield waiting.pop(following)
                following += 1


class _Sums:
    """Sums over users, added in a fixed order, so that sharing out the work changes no digit."""

    def __init__(self, users: int, states: int) -> None:
        self.days = np.full(users, np.nan)
        self.strength = np.ones(users)
        self.heat = np.zeros(k.QUARTERS)
        self.quarters_ns = np.zeros(k.QUARTERS)  # how long each quarter of the week was lived
        self.spent = np.zeros(states)
        self.total_ns = self.dead_ns = self.plugs = 0
        self.waves = self.caught = self.asked = self.refused = 0
        self.used_c = 0.0

    def add(self, one: UserLife) -> None:
        if one.days is not None:
            self.days[one.user] = one.days
        self.strength[one.user] = one.strength
        self.heat += np.array(one.heat_c)
        weeks, rest = divmod(one.total_ns, 7 * DAY_NS)
        begins = k.QUARTER_NS * np.arange(k.QUARTERS, dtype=float)
        self.quarters_ns += weeks * k.QUARTER_NS + np.clip(rest - begins, 0.0, k.QUARTER_NS)
        self.spent += np.array(one.spent_ns, dtype=float)
        self.total_ns += one.total_ns
        self.dead_ns += one.dead_ns
        self.plugs += one.plugs
        self.waves += one.waves
        self.caught += one.caught
        self.asked += one.asked
        self.refused += one.refused
        self.used_c += one.used_c


def worth_compiling(pattern: Pattern, users: int) -> bool:
    """Whether there is so much to do that compiling pays."""
    return can_compile() and users * daily_stimuli(pattern) * pattern.horizon_ns / DAY_NS > WORTH


def daily_stimuli(pattern: Pattern) -> float:
    """About how many presses, waves and plugs a day the habits make."""
    total = 0.0
    for habit in pattern.habits:
        if habit.each is not None:
            times = habit.times
            mean = 0.5 * (times.low + times.high) if times.mean is None else times.mean
            share = 1.0 / 7.0 if habit.each == "week" else len(days_of(habit.each)) / 7.0
            total += mean * share * sum(step.kind != "wait" for step in habit.steps)
    return total


def days_of_users(
    pattern: Pattern, users: int, seed: int, *, fast: bool | None = None, jobs: int = 1
) -> Array:
    """The mean days between charges of each user (NaN where no span ended); nothing else."""
    fast = worth_compiling(pattern, users) if fast is None else fast
    days = np.full(users, np.nan)
    tasks = _shared_out(pattern, users, seed, fast, jobs)
    for outcome in _outcomes(tasks, jobs, None, users):
        for one in outcome.lives:
            days[one.user] = math.nan if one.days is None else one.days
    return days


def _shared_out(
    pattern: Pattern, users: int, seed: int, fast: bool, jobs: int, per_task: int | None = None
) -> list[Task]:
    made = groups(pattern, users, seed)
    size = per_task or (1 if jobs <= 1 else max(1, len(made) // (4 * jobs)))
    return [
        Task(pattern=pattern, seed=seed, fast=fast, groups=tuple(made[first : first + size]))
        for first in range(0, len(made), size)
    ]


def life(
    pattern: Pattern,
    *,
    users: int = 100,
    seed: int = 0,
    jobs: int = 1,
    fast: bool | None = None,
    study: bool = True,
    per_task: int | None = None,
    progress: Progress | None = None,
) -> Life:
    """How long the gadget of a pattern lasts, over `users` users and the spread of its parts.

    The result is a pure function of pattern, `users` and `seed`; `jobs` (processes), `per_task`
    (groups of users handed out at once) and `fast` (compiled; None where it pays) only change how
    long it takes. `study=False` leaves out corners and changes. `progress(done, users)` is called
    now and then.
    """
    gadget = pattern.gadget
    if gadget is None:
        raise UsageError("The pattern has no gadget.")
    if users < 1:
        raise UsageError("At least one user is needed.")
    fast = worth_compiling(pattern, users) if fast is None else fast
    certain = is_certain(pattern)
    # Where nothing is drawn, all users are one.
    lived = 1 if certain else users
    layout = Layout(pattern, gadget, warmths(pattern)[0])
    sums = _Sums(lived, layout.offset[-1])
    for outcome in _outcomes(_shared_out(pattern, lived, seed, fast, jobs, per_task), jobs,
                             progress, lived):
        for one in outcome.lives:
            sums.add(one)
    ended = sums.days[~np.isnan(sums.days)]
    why: dict[str, str] = {}
    percentiles = errors = None
    mean = error = None
    if len(ended) == 0:
        why["days_between_charges"] = (
            "no user's cell was charged or ran empty in the time looked at"
        )
    else:
        mean = float(ended.mean())
        low, middle, high = (float(q) for q in np.quantile(ended, [0.1, 0.5, 0.9]))
        percentiles = (low, middle, high)
        error, errors = _errors(ended, certain, seed)
        if error is None:
            why["days_between_charges.error"] = "one user tells nothing about the others"
        if len(ended) < lived:
            why["days_between_charges.users"] = (
                f"{lived - len(ended)} of {lived} users never charged or ran empty; left out"
            )
    found = held(gadget)
    why |= found.why
    missed = None
    if sums.waves:
        missed = 1.0 - sums.caught / sums.waves
    else:
        why["missed_wave_share"] = "nobody waves at a sensor that is on"
    shares: tuple[Contributor, ...] = ()
    if not certain:
        shares = contributors(pattern, sums.days, sums.strength, seed)
    changes: tuple[Change, ...] = ()
    ends: tuple[float, float] | None = None
    if study and mean is not None:
        changes = best_changes(pattern, seed, fast)
        ends = corners(pattern, seed, fast)
    years = sums.total_ns / (DAY_NS * YEAR_DAYS)
    return Life(
        pattern=pattern,
        users=users,
        seed=seed,
        days=sums.days,
        mean_days=mean,
        percentiles=percentiles,
        error_days=error,
        errors_days=errors,
        charges_per_year=sums.plugs / years,
        average_current_a=sums.used_c / (sums.total_ns * 1e-9),
        missed_wave_share=missed,
        waves=sums.waves,
        refused_share=sums.refused / sums.asked if sums.asked else None,
        dead_share=sums.dead_ns / sums.total_ns,
        hours_at_bars=_hours_at_bars(layout, sums),
        heat_a=_heat(sums),
        held=found,
        contributors=shares,
        changes=changes,
        corners_days=ends,
        why=why,
    )


def _errors(
    days: Array, certain: bool, seed: int
) -> tuple[float | None, tuple[float, float, float] | None]:
    """Half widths of the 95 % intervals of the mean, and of P10, P50, P90 by resampling."""
    if certain:
        return 0.0, (0.0, 0.0, 0.0)
    if len(days) < 2:
        return None, None
    from scipy.stats import t

    error = float(t.ppf(0.975, len(days) - 1) * days.std(ddof=1) / math.sqrt(len(days)))
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence((seed, 1))))
    drawn = days[rng.integers(0, len(days), size=(RESAMPLES, len(days)))]
    spread = Z95 * np.quantile(drawn, [0.1, 0.5, 0.9], axis=1).std(axis=1)
    return error, (float(spread[0]), float(spread[1]), float(spread[2]))


def _hours_at_bars(layout: Layout, sums: _Sums) -> dict[int, float]:
    number = layout.region_id.get("gauge")
    if number is None:
        return {}
    first, end = layout.offset[number], layout.offset[number + 1]
    hours: dict[int, float] = {}
    for flat in range(first, end):
        bars = layout.model.bars[flat]
        hours[bars] = hours.get(bars, 0.0) + 24.0 * float(sums.spent[flat]) / sums.total_ns
    return dict(sorted(hours.items()))


def _heat(sums: _Sums) -> tuple[float, ...]:
    """Mean current per quarter of an hour of the week (A), over all weeks of all users."""
    lived_s = 1e-9 * sums.quarters_ns
    mean = np.divide(sums.heat, lived_s, out=np.zeros(k.QUARTERS), where=lived_s > 0.0)
    return tuple(mean.tolist())
