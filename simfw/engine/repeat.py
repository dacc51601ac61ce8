"""How long the cell lasts if a scenario repeated, and how long the gadget does what it is asked.

A repetition is the scenario run anew from the charge at which the last one ended: each begins
alike, with every region where it starts, so that a press that toggles does the same each time.
Thousands of repetitions are counted without running each: with d(s) the share of charge that a
repetition started at charge s takes, n repetitions lead from s0 to s1 in

    n = integral from s1 to s0 of ds / d(s)  -  ln(d(s0) / d(s1)) / 2

(the first two terms of the Euler-Maclaurin expansion of the recurrence s' = s - d(s)). d is sampled
by real runs, more densely where it changes; the last repetitions are run one by one. The work is
counted in instants, and what is left out for it is told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from simfw.engine.corners import changed, drawn_by, ends_of, rows_ignore, worst_and_best
from simfw.engine.course import Course
from simfw.engine.observer import TooMany
from simfw.engine.plant import Plant
from simfw.engine.prepared import Prepared
from simfw.engine.rough import Profile, rough_lives, told_by_currents
from simfw.engine.run import Expected, Run
from simfw.engine.served import Asked, Watch
from simfw.engine.simulation import Simulation
from simfw.engine.untouched import TimeLeft, time_left_from
from simfw.errors import DescriptionError

__all__ = ["RepeatLife", "TimeLeft", "Trial", "count_repetitions", "repeat_life", "time_left"]

DAY_S = 86_400.0
ONE_BY_ONE = 0.03  # above this drop per repetition, repetitions are run one by one
CLOSE = 3e-3  # how much of the whole count a stretch of charge may be wrong by
MANY = 40  # trials after which ten times that is enough
MOST = 120  # trials after which anything is
FEWEST = 8  # trials without which there is no answer
LAST_ONES = 8  # repetitions run one by one at the end
SMOOTH = 0.05  # trapezoid and Simpson nearer than this, relative: no jump in the stretch
HALVINGS = 12  # of the charge between a repetition that fails and one that does not
LIFE_INSTANTS = 1_000_000  # what all trials of a life may take
RANGE_INSTANTS = 500_000  # and what those of its range may
COURSES = 32  # that are kept to be followed from other charges
SHORT = 600  # instants that a repetition may take to be gone through one by one
SPARED = 60  # instants that each turn of a cycle must spare to be worth its tables
MOST_TRIED = 10  # figures whose ends are tried by running repetitions


@dataclass(frozen=True, slots=True)
class Trial:
    """One repetition: the charge (0..1) at its end, and which share of it passed until the
    protection opened (None where it did not open), and until it first did not do what was asked
    (`failed_after`, None where it did all), with what that was (`why`).
    """

    end_charge: float
    emptied_after: float | None = None
    failed_after: float | None = None
    why: str = ""

    @property
    def failed(self) -> float | None:
        """The share that passed until it failed; at the latest the protection fails it."""
        shares = [one for one in (self.emptied_after, self.failed_after) if one is not None]
        return min(shares, default=None)


@dataclass(frozen=True, slots=True)
class Count:
    """How many repetitions empty the cell, and how many do what is asked.

    `served_why` tells what is first not done, `served_to` is the charge at which that repetition
    begins. `repetitions` is None where the charge comes to rest at `rests_at` before the cell is
    empty, and `served` where all is done there too.
    """

    repetitions: float | None
    served: float | None
    served_why: str
    served_to: float
    rests_at: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatLife:
    """The battery life if the scenario repeated from full.

    `served_days`: until the gadget first does not do what was asked, `served_why` says what that is
    (or why there is no end). `days`: until the cell supplies no more; `why` where that never comes.
    `low_days`, `high_days` and `served_low_days`, `served_high_days` are both with all ranges of
    the gadget file at the worse ends and at the better; None where there are no ranges, where they
    were not asked for, and for a life without end. `left_out` tells what was not worked out.
    `unmet` is the number of expectations that do not hold from full and are not counted.
    """

    days: float | None
    why: str | None = None
    low_days: float | None = None
    high_days: float | None = None
    served_days: float | None = None
    served_why: str | None = None
    served_low_days: float | None = None
    served_high_days: float | None = None
    left_out: str | None = None
    unmet: int = 0


class Settles(Exception):  # caught in this package; never seen by a user
    """The charge comes to rest: a repetition takes no more than the charger gives back."""

    def __init__(self, charge: float) -> None:
        super().__init__(charge)
        self.charge = charge


def repeat_life(
    run: Run, *, ranges: bool = False, fold: bool = True, prepared: Prepared | None = None
) -> RepeatLife:
    """How long the cell lasts if the scenario of `run` repeated from charge 1, in days.

    The life ends when the protection first opens. There is none where the net charge used (what the
    consumers drew less what the charger gave) is not positive. With `ranges`, both lives are also
    counted with the ranges of the gadget file at the worse and at the better ends. `prepared` is
    what `run` was made with, where it is at hand: nothing of it is then worked out anew.
    """
    net_c = run.charge_used_c - run.charger_charge_c
    if net_c <= 0:
        why = "no end: charging replaces at least what is used"
        return RepeatLife(days=None, why=why, served_why=why)
    shared = Prepared(run.gadget) if prepared is None else prepared
    try:
        if _takes_long(run) and fold:
            raise TooMany
        repetitions = _Repetitions(run, shared.without_rules(), fold)
    except TooMany:
        why = (f"left out: one repetition takes more than {LIFE_INSTANTS // FEWEST:,} instants, "
               f"and all together may take {LIFE_INSTANTS:,}")
        return RepeatLife(days=None, why=why, served_why=why)
    count = _counted(repetitions, most=min(MOST, LIFE_INSTANTS // repetitions.instants))
    each_days = run.duration_ns / 1e9 / DAY_S
    life = RepeatLife(
        days=_times(each_days, count.repetitions),
        why=None if count.rests_at is None else _resting(count.rests_at),
        served_days=_times(each_days, count.served),
        served_why=_resting(count.rests_at or 0.0) if count.served is None else count.served_why,
        unmet=repetitions.asked.unmet,
    )
    if not ranges or not ends_of(run.gadget):
        return life
    return _with_ranges(life, count, repetitions, each_days)


def _takes_long(run: Run) -> bool:
    """Whether the run was a repetition from full, and took more than one may for certain: what
    watches it makes it look for periods at other instants, which is worth some.
    """
    return run.start_ns == 0 and run.start_charge == 1.0 and (
        run.work > 2 * LIFE_INSTANTS // FEWEST)


def _times(each_days: float, count: float | None) -> float | None:
    return None if count is None else each_days * count


def _resting(charge: float) -> str:
    return f"the charge settles near {charge:.0%}: the charger gives back what is used"


def time_left(run: Run, *, fold: bool = True, prepared: Prepared | None = None) -> TimeLeft:
    """How long the cell lasts from the end of `run` on, if nobody touches the gadget any more.

    `prepared` is what `run` was made with, where it is at hand. What it has learned of instants is
    left alone: where folds begin hangs on that, and with it the last digits.
    """
    shared = Prepared(run.gadget, like=prepared, rows=prepared)
    return time_left_from(shared, run.final, seed=run.seed, fold=fold)


class _Repetitions:
    """Repetitions of one run, with the parts of one gadget.

    `asked` is what the first one does with nominal parts, `instants` is what the first one took:
    TooMany is raised where not even `FEWEST` of them may be made.
    """

    def __init__(
        self, run: Run, prepared: Prepared, fold: bool, asked: Asked | None = None, *,
        short: bool = False,
    ) -> None:
        """`short`: as far as is known, one takes few instants, and folds are not worth it."""
        self.run, self.prepared, self.fold, self._short = run, prepared, fold, short
        self._scenario = replace(run.scenario, gadget=prepared.gadget)
        self._plant: Plant | None = None
        self._watch: Watch | None = None
        self._courses: list[tuple[Course, tuple[Expected, ...]]] = []
        self.instants = 1
        if asked is None:
            simulation, watch = self._simulated(1.0, None)
            asked = Asked.of(self._scenario, simulation.expected, watch)
            self.instants = watch.instants
            self._short = simulation.folder.spared < SPARED * simulation.folder.made
        self.asked = asked

    def __call__(self, charge: float) -> Trial:
        for n, (course, expected) in enumerate(self._courses):
            if course.parts(charge):
                continue
            watch = Watch(self.prepared, self._scenario, self.asked, self._watch)
            end = course.follow(charge, watch.drove)
            if end is not None:
                self._courses.insert(0, self._courses.pop(n))
                return self._trial(end, None, expected, watch)
        return self.watched(charge)[0]

    def watched(self, charge: float) -> tuple[Trial, Watch]:
        """One repetition from a charge, and what was seen in it."""
        simulation, watch = self._simulated(charge, self.asked)
        return self._trial(
            simulation.plant.charge, simulation.empty_at, simulation.expected, watch
        ), watch

    def _trial(
        self, end: float, empty_at_ns: int | None, expected: Sequence[Expected], watch: Watch
    ) -> Trial:
        failure = self.asked.failure(expected, empty_at_ns, watch)
        lasts_ns = self.run.duration_ns
        return Trial(
            end,
            None if empty_at_ns is None else empty_at_ns / lasts_ns,
            None if failure is None else failure.time_ns / lasts_ns,
            "" if failure is None else failure.why,
        )

    def _simulated(self, charge: float, asked: Asked | None) -> tuple[Simulation, Watch]:
        most = math.inf if asked is not None else LIFE_INSTANTS // FEWEST
        watch = Watch(self.prepared, self._scenario, asked, self._watch, most)
        course = Course(charge)
        simulation = Simulation(
            self.prepared, replace(self._scenario, charge=charge), self.run.seed, self.fold, False,
            (watch,), None, self._plant, log=False, course=course,
        )
        self._go(simulation)
        self._plant, self._watch = simulation.plant, watch
        self._plant.keeps_phases = True  # all that is asked of this simulation is its end
        if course.usable:
            self._courses.insert(0, (course, tuple(simulation.expected)))
            del self._courses[COURSES:]
        return simulation, watch

    def _go(self, simulation: Simulation) -> None:
        """To the end; a short repetition without a search for what comes round in it."""
        if self._short and simulation.glide.fits:
            simulation.fold = False
            if simulation.go(SHORT):
                return
            self._short, simulation.fold = False, self.fold
        simulation.go()

    def with_values(
        self, values: dict[str, float], drawing: dict[object, Prepared] | None = None
    ) -> _Repetitions:
        """The same with other parts, asked the same. Raises DescriptionError.

        In `drawing` are those of which it is known what they draw, by all that decides it.
        """
        gadget, reference_v = changed(self.run.gadget, values)
        rows = self.prepared if all(map(rows_ignore, values)) else None
        prepared = Prepared(gadget, reference_v=reference_v, rows=rows).without_rules()
        prepared.learn_with(self.prepared)
        if drawing is not None:
            prepared.draw_with(drawing.setdefault(drawn_by(values), prepared))
        return _Repetitions(self.run, prepared, self.fold, self.asked, short=self._short)


# -- ranges ----------------------------------------------------------------------------------------


def _with_ranges(
    life: RepeatLife, count: Count, nominal: _Repetitions, each_days: float
) -> RepeatLife:
    """The life with its ranges: the ends of each figure are found, then both corners counted."""
    ends = ends_of(nominal.run.gadget)
    most = RANGE_INSTANTS // (6 * nominal.instants)
    if most < FEWEST:
        return replace(life, left_out=f"its range is left out: one repetition takes "
                                      f"{nominal.instants:,} instants")
    tried = [key for key in ends if not told_by_currents(nominal.run.gadget, key)]
    left_out = tried[MOST_TRIED:]
    used = {key: both for key, both in ends.items() if key not in left_out}
    lives = _lives(nominal, count)
    known: dict[tuple[str, float], tuple[float, float]] = {}

    def measure(number: int) -> Callable[[dict[str, float]], float]:
        def measured(values: dict[str, float]) -> float:
            (item,) = values.items()
            if item not in known:
                known[item] = lives(values)
            return known[item][number]

        return measured

    found: list[tuple[float | None, float | None]] = []
    made: dict[tuple[tuple[str, float], ...], Count] = {}
    drawing: dict[object, Prepared] = {}
    for number in (0, 1):
        spans: list[float] = []
        for values in worst_and_best(used, measure(number)):
            key = tuple(sorted(values.items()))
            if key not in made:
                made[key] = _counted(
                    nominal.with_values(values, drawing), most=min(MOST, most), serving=number == 0
                )
            corner = made[key].served if number == 0 else made[key].repetitions
            spans.append(math.inf if corner is None else corner)
        middle = count.served if number == 0 else count.repetitions
        spans.append(math.inf if middle is None else middle)
        found.append((_finite(each_days * min(spans)), _finite(each_days * max(spans))))
    (served_low, served_high), (low, high) = found
    return replace(
        life, low_days=low, high_days=high, served_low_days=served_low,
        served_high_days=served_high,
        left_out=f"the ranges of {', '.join(left_out)} are left out" if left_out else None,
    )


def _finite(days: float) -> float | None:
    return days if math.isfinite(days) else None


def _lives(
    nominal: _Repetitions, count: Count
) -> Callable[[dict[str, float]], tuple[float, float]]:
    """How long, roughly, all is done and the cell lasts with other values (repetitions)."""
    end = count.served_to
    above = nominal.watched(0.5 * (1.0 + end))[1].times_ns
    below = nominal.watched(0.5 * end)[1].times_ns if end > 0.0 else above
    early = count.repetitions is None or (count.served or 0.0) < count.repetitions - 1.0
    profile = Profile(above, below, end if early else None, nominal.prepared.circuit)

    def lives(values: dict[str, float]) -> tuple[float, float]:
        gadget = nominal.run.gadget
        try:
            other = nominal.with_values(values)
        except DescriptionError:
            return math.inf, math.inf  # these figures make no circuit
        if all(told_by_currents(gadget, key) for key in values):
            return rough_lives(profile, other.prepared.circuit)
        return _tried(other, end)

    return lives


def _tried(other: _Repetitions, near: float) -> tuple[float, float]:
    """The same by running repetitions: the drop, and the charge at which one first fails."""
    low, high = 0.0, 1.0
    step = 0.02
    while near + step < 1.0 and other(near + step).failed is not None:
        low = near + step
        step *= 4.0
    high = min(near + step, 1.0)
    step = 0.02
    while low == 0.0 and near - step > 0.0 and other(near - step).failed is None:
        high = near - step
        step *= 4.0
    low = max(low, near - step, 0.0)
    for _ in range(5):
        middle = 0.5 * (low + high)
        if other(middle).failed is None:
            high = middle
        else:
            low = middle
    served = _span(other, high, 1.0)
    return served, served + _span(other, 0.0, high)


def _span(other: _Repetitions, low: float, high: float) -> float:
    middle = 0.5 * (low + high)
    drop = middle - other(middle).end_charge
    return (high - low) / drop if drop > 0.0 else math.inf


# -- counting --------------------------------------------------------------------------------------


def _counted(repetitions: _Repetitions, *, most: int, serving: bool = True) -> Count:
    return count_repetitions(repetitions, most=most, serving=serving)


def count_repetitions(
    trial: Callable[[float], Trial], *, most: int = MOST, serving: bool = True
) -> Count:
    """How many repetitions fit between charge 1 and the opening of the protection.

    `trial(charge)` runs one repetition from `charge`; beyond `most` of them the count gets rough.
    The last, unfinished repetition counts by the share that passed. Without `serving` it is not
    worked out how many of them do all that is asked.
    """
    counting = _Counting(trial, most)
    try:
        repetitions: float | None = counting.from_full()
        rests_at = None
    except Settles as settled:
        repetitions, rests_at = None, settled.charge
    if not serving:
        return Count(repetitions, None, "", rests_at or 0.0, rests_at)
    return counting.served(repetitions, rests_at)


class _Counting:
    """The repetitions counted so far, with every trial made."""

    def __init__(self, trial: Callable[[float], Trial], most: int) -> None:
        self._trial = trial
        self._most = most
        self._many = min(MANY, most // 2)
        self._seen: dict[float, Trial] = {}
        self._count = 0.0
        self._passed = [(1.0, 0.0)]  # (charge, repetitions counted down to it), charge falling

    def trial(self, charge: float) -> Trial:
        if charge not in self._seen:
            self._seen[charge] = self._trial(charge)
        return self._seen[charge]

    def empties(self, charge: float) -> bool:
        return charge <= 0.0 or self.trial(charge).emptied_after is not None

    def drop(self, charge: float) -> float:
        """The share of charge that a repetition from `charge` takes; it must be positive."""
        drop = charge - self.trial(charge).end_charge
        if drop <= 0:
            raise Settles(charge)
        return drop

    def from_full(self) -> float:
        charge = self._one_by_one(1.0, ONE_BY_ONE)
        if self.empties(charge):
            return self._with_the_last(charge)
        # Stretches of charge (lower, upper) still to be counted, the uppermost last.
        left = [(0.0, charge)]
        while left:
            lower, upper = left.pop()
            width, drop = upper - lower, self.drop(upper)
            allowed = CLOSE * (self._count + upper / drop)
            if len(self._seen) > self._many:
                allowed *= 10 if len(self._seen) <= self._most else math.inf
            if self.empties(lower):
                if width <= 2 * drop:
                    # Few are left, unless the next take much less.
                    upper = self._one_by_one(upper, 0.0, LAST_ONES)
                    if self.empties(upper):
                        return self._with_the_last(upper)
                    left.append((lower, upper))
                    continue
                if width / drop <= allowed and len(self._seen) > self._many:
                    return self._count + width / drop / 2
            else:
                part = self._stretch(lower, upper, allowed)
                if part is not None:
                    self._count += part
                    self._passed.append((lower, self._count))
                    continue
            middle = (lower + upper) / 2
            if not self.empties(middle):
                left.append((lower, middle))
            left.append((middle, upper))
        raise AssertionError("the lowest stretch always ends the count")

    def _one_by_one(self, charge: float, least: float, most: int = MOST) -> float:
        """Count repetitions from `charge` while each takes `least` or more and none empties."""
        for _ in range(most):
            if self.empties(charge) or self.drop(charge) < least:
                break
            self._count += 1
            charge = self.trial(charge).end_charge
            self._passed.append((charge, self._count))
        return charge

    def served(self, repetitions: float | None, rests_at: float | None) -> Count:
        """The count, with how many repetitions do all that is asked."""
        failed = self._highest_failed()
        lowest = min(self._seen)
        if failed is None and repetitions is not None and not self.empties(lowest):
            # None that was tried empties the cell; the last one does.
            self.trial(0.5 * min(lowest, max(lowest - self.trial(lowest).end_charge, 0.0)))
            failed = self._highest_failed()
        if failed is None:
            return Count(repetitions, None, "", rests_at or 0.0, rests_at)
        kept = min((s for s in self._seen if s > failed), default=None)
        for _ in range(HALVINGS):
            if kept is None:
                break
            # A repetition that gives back what it takes takes nothing here.
            if kept - failed <= 0.5 * max(kept - self.trial(kept).end_charge, 0.0):
                break
            middle = 0.5 * (kept + failed)
            if self.trial(middle).failed is None:
                kept = middle
            else:
                failed = middle
        one = self.trial(failed)
        if rests_at is not None:
            try:
                self._count_down_to(failed)
            except Settles:  # it comes to rest above the charge at which something fails
                return Count(repetitions, None, "", rests_at, rests_at)
        # The first repetition that begins no higher than there, and what of it passes.
        before = math.ceil(self._counted_to(failed) - 1e-6)
        if before <= 1.0 / ONE_BY_ONE and len(self._seen) + before <= self._most:
            before, one = self._each_down_to(before, one)
        served = before + (one.failed or 0.0)
        if repetitions is not None:
            served = min(served, repetitions)
        return Count(repetitions, served, one.why, failed, rests_at)

    def _each_down_to(self, before: int, one: Trial) -> tuple[int, Trial]:
        """The first that fails, where they are few: each is run, from full. As given where none of
        so many does.
        """
        charge = 1.0
        for number in range(before + 1):
            trial = self.trial(charge)
            if trial.failed is not None:
                return number, trial
            charge = trial.end_charge
        return before, one

    def _counted_to(self, charge: float) -> float:
        """Repetitions from full down to `charge`: between two charges counted to by a cubic, for
        the count rises by 1 / drop at either (cubic Hermite interpolation).
        """
        for (upper, low), (lower, high) in pairwise(self._passed):
            if lower <= charge <= upper and lower < upper:
                chord = (high - low) / (upper - lower)
                first, last = (self._steepness(end, chord) for end in (upper, lower))
                x = (upper - charge) / (upper - lower)
                bent = (first - chord) * (1.0 - x) - (last - chord) * x
                found = low + (upper - lower) * x * (chord + (1.0 - x) * bent)
                return min(max(found, low), high)
        return self._passed[-1][1]

    def _steepness(self, charge: float, chord: float) -> float:
        """Repetitions to a share of the charge, at one; `chord` where nothing tells."""
        one = self._seen.get(charge)
        if one is None or one.emptied_after is not None or one.end_charge >= charge:
            return chord
        # Up to that no cubic falls (Fritsch and Carlson, "Monotone piecewise cubic
        # interpolation", SIAM Journal on Numerical Analysis 17, 1980; from memory).
        return min(1.0 / (charge - one.end_charge), 3.0 * chord)

    def _highest_failed(self) -> float | None:
        return max((s for s, one in self._seen.items() if one.failed is not None), default=None)

    def _count_down_to(self, charge: float) -> None:
        """Count what the count did not reach, since the charge comes to rest further down."""
        upper, count = self._passed[-1]
        if upper <= charge:
            return
        places, weights = np.polynomial.legendre.leggauss(FEWEST)
        width = upper - charge
        drops = [self.drop(charge + width * (1.0 + x) / 2.0) for x in places.tolist()]
        count += float(sum(w * width / 2.0 / drop for w, drop in zip(weights, drops, strict=True)))
        self._passed.append((charge, count))

    def _with_the_last(self, charge: float) -> float:
        """The count including the part of the repetition that empties the cell."""
        return self._count + (self.trial(charge).emptied_after or 0.0)

    def _stretch(self, lower: float, upper: float, allowed: float) -> float | None:
        """Repetitions from `upper` down to `lower`; None where three samples cannot tell."""
        middle = (upper + lower) / 2
        if self.empties(middle):
            return None
        width = upper - lower
        first, between, last = (self.drop(charge) for charge in (upper, middle, lower))
        trapezoid = width * (1 / first + 1 / last) / 2
        simpson = width * (1 / first + 4 / between + 1 / last) / 6
        apart = abs(trapezoid - simpson)
        if apart > allowed:
            return None
        if apart > SMOOTH * simpson:
            return trapezoid
        return simpson - math.log(first / last) / 2
