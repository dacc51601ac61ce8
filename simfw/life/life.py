"""Many users, many parts: how long it lasts, what that depends on, and what would help most."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.errors import UsageError
from simfw.life.changes import Change, best_changes, corners, typical_users
from simfw.life.contributors import Contributor, contributors
from simfw.life.drawing import warmths
from simfw.life.effort import worth_compiling
from simfw.life.held import Held, held
from simfw.life.intervals import half_width_of_mean, half_widths_of_percentiles
from simfw.life.layout import Layout
from simfw.life.sampling import Spread
from simfw.life.study import Keeper, Progress, Totals, gather
from simfw.life.workers import Processes, Workers
from simfw.stimuli.pattern import DAY_NS, YEAR_DAYS, Pattern

__all__ = ["Life", "Rewritten", "SpreadOfDays", "is_certain", "life", "spread_of"]

Array = NDArray[np.float64]

SHARES = (0.1, 0.5, 0.9)
FEW_SPANS = 2  # of a user, below which nobody knows whether the next span is like the one seen
ONE_SPAN = (
    "about one span of each user was seen: a longer horizon tells whether the others are as long"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rewritten:
    """How often was written what a region keeps over a power loss ("state" or "resume"): the mean
    of all users, in a year of 365.25 days.
    """

    region: str
    what: str
    writes_per_year: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """The answers of a study.

    `days` holds one value per user, the mean time between charges (NaN where none ended).
    `error_days` is half the width of the interval of their mean, made to hold in 95 of 100 studies
    (see `intervals`); `errors_days` those of P10, P50 and P90. An error that would be as large as
    its figure is None: so few users do not tell it. `hours_at_bars` are hours a day.
    `watched_days` is for how long a user was followed, the mean of all: at least the horizon, and
    on until the span that began before it has ended. Mean current, shares and hours are over that.
    `within_share`: by which share of them current and days may be off, since so much blinks at
    beats of its own that what each draws is added up (None: nothing was; see `engine.shares`).
    `heat_a` is the mean current in each quarter of an hour of the week. Where something is None,
    `why` tells the reason by the name of the answer.
    """

    pattern: Pattern
    users: int
    seed: int
    days: Array
    mean_days: float | None
    percentiles: tuple[float, float, float] | None
    error_days: float | None
    errors_days: tuple[float | None, ...] | None
    watched_days: float
    charges_per_year: float
    average_current_a: float
    within_share: float | None
    missed_wave_share: float | None
    waves: int
    refused_share: float | None
    dead_share: float
    hours_at_bars: dict[int, float]
    kept: tuple[Rewritten, ...]
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


def life(
    pattern: Pattern,
    *,
    users: int = 100,
    seed: int = 0,
    jobs: int = 1,
    fast: bool | None = None,
    study: bool = True,
    per_task: int = 1,
    workers: Workers | None = None,
    kept: Keeper | None = None,
    progress: Progress | None = None,
    stage: Callable[[str], None] | None = None,
) -> Life:
    """How long the gadget of a pattern lasts, over `users` users and the spread of its parts.

    The result is a pure function of pattern, `users` and `seed`; `jobs` (processes) or `workers`,
    `per_task` (groups of users handed out at once), `kept` (groups finished before) and `fast`
    (compiled; None where it pays) only change how long it takes. `study=False` leaves out corners
    and changes. `progress(done, users)` is called as users are finished, `stage(what)` when
    something else begins that takes its time. Raises UsageError for a pattern without a gadget, for
    no users, and for more combinations of states than can be numbered.
    """
    gadget = pattern.gadget
    if gadget is None:
        raise UsageError("The pattern has no gadget.")
    if users < 1:
        raise UsageError("At least one user is needed.")
    certain = is_certain(pattern)
    # Where nothing is drawn, all users are one.
    lived = 1 if certain else users
    fast = worth_compiling(pattern, lived, study) if fast is None else fast
    with contextlib.ExitStack() as stack:
        if workers is None and jobs > 1 and lived > 1:
            workers = stack.enter_context(Processes(jobs))
        totals = gather(pattern, lived, seed, fast=fast, workers=workers, kept=kept,
                        per_task=per_task, progress=progress)
    spread = spread_of(totals.days, certain, charged=pattern.plugs)
    why = dict(spread.why)
    if pattern.plugs and spread.mean is not None and totals.plugs < FEW_SPANS * users:
        why["days_between_charges.spans"] = ONE_SPAN
    tell = stage or _tell_nobody
    tell("run times of the lights")
    found = held(gadget)
    why |= found.why
    if not totals.waves:
        why["missed_wave_share"] = "nobody waves at a sensor that is on"
    shares: tuple[Contributor, ...] = ()
    if not certain:
        shares = contributors(pattern, totals.days, totals.strengths, seed)
    changes: tuple[Change, ...] = ()
    ends: tuple[float, float] | None = None
    if study and spread.mean is not None:
        tell("what would add most")
        typical = typical_users(totals.strengths)
        middle = spread.percentiles[1] if spread.percentiles is not None else None
        changes = best_changes(pattern, seed, fast, typical, typical_days=middle)
        tell("the worst and the best parts")
        ends = corners(pattern, seed, fast, typical, typical_days=middle)
    layout = Layout(pattern, gadget, warmths(pattern)[0])
    years = totals.counted_ns / (DAY_NS * YEAR_DAYS)
    return Life(
        pattern=pattern,
        users=users,
        seed=seed,
        days=totals.days,
        mean_days=spread.mean,
        percentiles=spread.percentiles,
        error_days=spread.error,
        errors_days=spread.errors,
        watched_days=totals.total_ns / DAY_NS / lived,
        charges_per_year=totals.plugs / years if years else 0.0,
        average_current_a=totals.average_current_a,
        within_share=totals.within_share,
        missed_wave_share=totals.missed_wave_share,
        waves=totals.waves,
        refused_share=totals.refused / totals.asked if totals.asked else None,
        dead_share=totals.dead_ns / totals.total_ns,
        hours_at_bars=_hours_at_bars(layout, totals),
        kept=_rewritten(layout, totals),
        heat_a=totals.heat_a(),
        held=found,
        contributors=shares,
        changes=changes,
        corners_days=ends,
        why=why,
    )


def _tell_nobody(what: str) -> None:
    """Nobody wants to know."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadOfDays:
    """Mean and P10, P50, P90 of the days between charges, with their errors as in `Life`."""

    mean: float | None = None
    percentiles: tuple[float, float, float] | None = None
    error: float | None = None
    errors: tuple[float | None, ...] | None = None
    why: dict[str, str]


def spread_of(days: Array, certain: bool, *, charged: bool = True) -> SpreadOfDays:
    """Mean, percentiles and errors of the users' days (NaN where no span ended).

    `charged`: whether somebody plugs in at all. An error is told where it is smaller than its
    figure.
    """
    ended = days[~np.isnan(days)]
    if len(ended) == 0:
        reason = ("no user charged the cell twice" if charged else "no user's cell ran empty")
        reason += " in the time looked at"
        return SpreadOfDays(why={"days_between_charges": reason})
    why: dict[str, str] = {}
    if len(ended) < len(days):
        why["days_between_charges.users"] = (
            f"{len(days) - len(ended)} of {len(days)} users never "
            f"{'charged twice' if charged else 'ran empty'}; left out"
        )
    low, middle, high = (float(q) for q in np.quantile(ended, SHARES))
    error: float | None = None
    errors: tuple[float | None, ...] | None = None
    if certain:
        error, errors = 0.0, (0.0, 0.0, 0.0)
    elif len(ended) < 2:
        why["days_between_charges.error"] = "one user tells nothing about the others"
    else:
        error = half_width_of_mean(ended)
        errors = tuple(
            _told(one, of) for one, of in zip(
                half_widths_of_percentiles(ended, SHARES), (low, middle, high), strict=True)
        )
        if _told(error, float(ended.mean())) is None:
            error = None
            why["days_between_charges.error"] = (
                f"{len(ended)} users are too few to tell how far it may be off"
            )
    return SpreadOfDays(mean=float(ended.mean()), percentiles=(low, middle, high), error=error,
                        errors=errors, why=why)


def _told(error: float, of: float) -> float | None:
    """An error, unless it is as large as what it belongs to."""
    return error if error < of else None


def _rewritten(layout: Layout, totals: Totals) -> tuple[Rewritten, ...]:
    found = []
    for place, number in enumerate(layout.keeping):
        region = layout.regions[number]
        assert region.kept is not None
        found.append(Rewritten(region=region.name, what=region.kept,
                               writes_per_year=totals.writes_per_year(place)))
    return tuple(found)


def _hours_at_bars(layout: Layout, totals: Totals) -> dict[int, float]:
    number = layout.region_id.get("gauge")
    if number is None:
        return {}
    hours: dict[int, float] = {}
    for flat in range(layout.offset[number], layout.offset[number + 1]):
        bars = layout.bars[flat]
        hours[bars] = hours.get(bars, 0.0) + 24.0 * totals.share_spent(flat)
    return dict(sorted(hours.items()))
