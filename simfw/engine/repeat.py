"""How long the cell lasts: if a scenario repeated, and if nobody touched the gadget any more.

A repetition is the scenario run anew from the charge at which the last one ended. Thousands of
repetitions are counted without running each: with d(s) the share of charge that a repetition
started at charge s takes, n repetitions lead from s0 to s1 in

    n = integral from s1 to s0 of ds / d(s)  -  ln(d(s0) / d(s1)) / 2

(the first two terms of the Euler-Maclaurin expansion of the recurrence s' = s - d(s)). d is sampled
by real runs, more densely where it changes; the last repetitions are run one by one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import ranged, with_values
from simfw.quantity import Timing

__all__ = ["RepeatLife", "TimeLeft", "Trial", "count_repetitions", "repeat_life", "time_left"]

DAY_S = 86_400.0
ONE_BY_ONE = 0.02  # above this drop per repetition, repetitions are run one by one
WIDEST = 0.25  # widest stretch of charge that three samples of the drop may stand for
FINEST = 1e-4  # narrowest stretch into which a jump of the drop is boxed
COARSE = 2e-3  # and that of a scenario whose drop jumps about, after `MANY` trials
MANY = 200
CLOSE = 2e-4  # how well trapezoid and Simpson must agree on a stretch, relative
SAMPLED_AT = 0.9  # charge at which the effect of a tolerance on the drop is read
UNTOUCHED_DAYS = (1, 10, 100, 1_000, 10_000, 36_525)  # the stretches of `time_left`


@dataclass(frozen=True, slots=True)
class Trial:
    """One repetition: the charge (0..1) at its end, and which share of it passed until the
    protection opened (None where it did not open).
    """

    end_charge: float
    emptied_after: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatLife:
    """The battery life (days) if the scenario repeated from full; `why` where there is none.

    `low_days` and `high_days` are the worst and best corner of the ranges in the gadget file, both
    None where there are no ranges or they were not asked for; `high_days` alone is None where the
    best corner has no end.
    """

    days: float | None
    why: str | None = None
    low_days: float | None = None
    high_days: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLeft:
    """The time (s) until the protection opens if nothing is done any more; `why` where none."""

    seconds: float | None
    why: str | None = None


class Settles(Exception):  # caught in this package; never seen by a user
    """The charge comes to rest: a repetition takes no more than the charger gives back."""

    def __init__(self, charge: float) -> None:
        super().__init__(charge)
        self.charge = charge


def repeat_life(run: Run, *, ranges: bool = False, fold: bool = True) -> RepeatLife:
    """How long the cell lasts if the scenario of `run` repeated from charge 1, in days.

    The life ends when the protection first opens. There is none where the net charge used (what the
    consumers drew less what the charger gave) is not positive. With `ranges`, the worst and the
    best corner of all ranges in the gadget file are computed too.
    """
    net_c = run.charge_used_c - run.charger_charge_c
    if net_c <= 0:
        return RepeatLife(
            days=None, why="the charger gives back at least as much as is used: it never ends"
        )
    try:
        days = _days(run, run.gadget, fold)
    except Settles as settled:
        why = f"the charge settles near {settled.charge:.0%}: the charger gives back what is used"
        return RepeatLife(days=None, why=why)
    if not ranges or not ranged(run.gadget):
        return RepeatLife(days=days)
    worst, best = _corners(run, fold)
    low, high = _days_or_none(run, worst, fold), _days_or_none(run, best, fold)
    return RepeatLife(days=days, low_days=low, high_days=high)


def time_left(run: Run, *, fold: bool = True) -> TimeLeft:
    """How long the cell lasts from the end of `run` on, if nobody touches the gadget any more."""
    if run.final.protected:
        return TimeLeft(seconds=None, why="the protection is open")
    if run.final.usb:
        return TimeLeft(seconds=None, why="USB is plugged in at the end")
    prepared = Prepared(run.gadget)
    at = run.final
    for days in UNTOUCHED_DAYS:
        lasts_ns = int(days * DAY_S) * 10**9
        idle = replace(run.scenario, steps=(), lasts_ns=lasts_ns)
        on = simulate(
            run.gadget,
            idle,
            seed=run.seed,
            fold=fold,
            trace=False,
            resume=at,
            prepared=prepared,
        )
        if on.empty_at_ns is not None:
            return TimeLeft(seconds=(on.empty_at_ns - run.end_ns) / 1e9)
        at = on.final
    return TimeLeft(seconds=None, why="more than 100 years")


def _days_or_none(run: Run, gadget: Gadget, fold: bool) -> float | None:
    try:
        return _days(run, gadget, fold)
    except Settles:
        return None


def _days(run: Run, gadget: Gadget, fold: bool) -> float:
    prepared = Prepared(gadget)
    repetitions = count_repetitions(lambda charge: _trial(run, prepared, charge, fold))
    return repetitions * run.duration_ns / 1e9 / DAY_S


def _trial(run: Run, prepared: Prepared, charge: float, fold: bool) -> Trial:
    repeated = simulate(
        prepared.gadget,
        replace(run.scenario, charge=charge),
        seed=run.seed,
        fold=fold,
        trace=False,
        prepared=prepared,
    )
    if repeated.empty_at_ns is None:
        return Trial(repeated.end_charge)
    passed_ns = repeated.empty_at_ns - repeated.start_ns
    return Trial(repeated.end_charge, passed_ns / repeated.duration_ns)


def _corners(run: Run, fold: bool) -> tuple[Gadget, Gadget]:
    """The gadget with every range at the end that shortens the life, and at the other end."""
    worst: dict[str, float] = {}
    best: dict[str, float] = {}
    for key, quantity in ranged(run.gadget).items():
        if isinstance(quantity, Timing):
            ends: tuple[float, float] = (quantity.low_ns, quantity.high_ns)
        else:
            ends = (quantity.low, quantity.high)
        lives = [_rough_life(run, with_values(run.gadget, {key: end}), fold) for end in ends]
        if lives[0] == lives[1]:
            continue
        short, long = ends if lives[0] < lives[1] else ends[::-1]
        worst[key], best[key] = short, long
    return with_values(run.gadget, worst), with_values(run.gadget, best)


def _rough_life(run: Run, gadget: Gadget, fold: bool) -> float:
    """Something that grows with the life: repetitions at the drop of one charge."""
    drop = SAMPLED_AT - _trial(run, Prepared(gadget), SAMPLED_AT, fold).end_charge
    return 1 / drop if drop > 0 else math.inf


def count_repetitions(trial: Callable[[float], Trial]) -> float:
    """How many repetitions fit between charge 1 and the opening of the protection.

    `trial(charge)` runs one repetition from `charge`. The last, unfinished repetition counts by the
    share that passed. Raises `Settles` where the charge comes to rest above empty.
    """
    return _Count(trial).from_full()


class _Count:
    """The repetitions counted so far, with every trial made."""

    def __init__(self, trial: Callable[[float], Trial]) -> None:
        self._trial = trial
        self._seen: dict[float, Trial] = {}
        self._count = 0.0

    def trial(self, charge: float) -> Trial:
        if charge not in self._seen:
            self._seen[charge] = self._trial(charge)
        return self._seen[charge]

    def drop(self, charge: float) -> float:
        """The share of charge that a repetition from `charge` takes; it must be positive."""
        drop = charge - self.trial(charge).end_charge
        if drop <= 0:
            raise Settles(charge)
        return drop

    def from_full(self) -> float:
        charge, width = 1.0, WIDEST
        while self.trial(charge).emptied_after is None:
            drop = self.drop(charge)
            if drop >= ONE_BY_ONE or width < 2 * drop:
                self._count += 1
                charge = self.trial(charge).end_charge
                width = max(width, 4 * drop)
                continue
            lower = charge - width
            if lower > 0 and self._stretch(charge, lower):
                charge, width = lower, min(2 * width, WIDEST)
            else:
                width /= 2
        emptied_after = self.trial(charge).emptied_after
        assert emptied_after is not None
        return self._count + emptied_after

    def _stretch(self, upper: float, lower: float) -> bool:
        """Count the repetitions from `upper` down to `lower`; False where it is too wide."""
        middle = (upper + lower) / 2
        if self.trial(lower).emptied_after is not None:
            return False
        if self.trial(middle).emptied_after is not None:
            return False
        width = upper - lower
        first, between, last = (self.drop(charge) for charge in (upper, middle, lower))
        trapezoid = width * (1 / first + 1 / last) / 2
        simpson = width * (1 / first + 4 / between + 1 / last) / 6
        smooth = abs(trapezoid - simpson) <= CLOSE * simpson
        finest = FINEST if len(self._seen) < MANY else COARSE
        if not smooth and width > finest:
            return False
        self._count += simpson if smooth else trapezoid
        if smooth:
            self._count -= math.log(first / last) / 2
        return True
