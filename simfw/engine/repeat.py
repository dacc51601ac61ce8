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

import numpy as np

from simfw.engine.run import Run
from simfw.engine.simulator import Prepared, simulate
from simfw.engine.untouched import TimeLeft, time_left_from
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import ranged, with_values
from simfw.quantity import Figure, Timing

__all__ = ["RepeatLife", "TimeLeft", "Trial", "count_repetitions", "repeat_life", "time_left"]

DAY_S = 86_400.0
ONE_BY_ONE = 0.03  # above this drop per repetition, repetitions are run one by one
CLOSE = 3e-3  # how much of the whole count a stretch of charge may be wrong by
MANY = 40  # trials after which ten times that is enough
SMOOTH = 0.05  # trapezoid and Simpson nearer than this, relative: no jump in the stretch
SAMPLED_AT = 0.6  # charge at which the effect of the ranges on the drop is read


@dataclass(frozen=True, slots=True)
class Trial:
    """One repetition: the charge (0..1) at its end, and which share of it passed until the
    protection opened (None where it did not open). `kept`: all its expectations were met.
    """

    end_charge: float
    emptied_after: float | None = None
    kept: bool = True


@dataclass(frozen=True, slots=True)
class Count:
    """How many repetitions empty the cell, and how many of them meet all expectations.

    `kept` is None where the first repetition from full does not meet them, or the last one does;
    `kept_above` is the charge below which they are first not met.
    """

    repetitions: float
    kept: float | None = None
    kept_above: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatLife:
    """The battery life (days) if the scenario repeated from full; `why` where there is none.

    `low_days` and `high_days` are the life with all ranges of the gadget file at the end that
    shortens it, and at the other; both None where there are no ranges or they were not asked for;
    `high_days` alone is None where that life has no end. `kept_days` is how long every repetition
    meets the expectations of the scenario and `kept_above` the charge below which one fails; None
    where the first repetition fails already or none does before the protection opens.
    """

    days: float | None
    why: str | None = None
    low_days: float | None = None
    high_days: float | None = None
    kept_days: float | None = None
    kept_above: float | None = None


class Settles(Exception):  # caught in this package; never seen by a user
    """The charge comes to rest: a repetition takes no more than the charger gives back."""

    def __init__(self, charge: float) -> None:
        super().__init__(charge)
        self.charge = charge


def repeat_life(run: Run, *, ranges: bool = False, fold: bool = True) -> RepeatLife:
    """How long the cell lasts if the scenario of `run` repeated from charge 1, in days.

    The life ends when the protection first opens. There is none where the net charge used (what the
    consumers drew less what the charger gave) is not positive. With `ranges`, the life is also
    scaled to both ends of the ranges in the gadget file: by what one repetition takes there, and by
    the charge above the cut-off under the heaviest load of the run.
    """
    net_c = run.charge_used_c - run.charger_charge_c
    if net_c <= 0:
        return RepeatLife(
            days=None, why="the charger gives back at least as much as is used: it never ends"
        )
    prepared = Prepared(run.gadget).without_rules()
    try:
        count = count_repetitions(lambda charge: _trial(run, prepared, charge, fold))
    except Settles as settled:
        why = f"the charge settles near {settled.charge:.0%}: the charger gives back what is used"
        return RepeatLife(days=None, why=why)
    each_days = run.duration_ns / 1e9 / DAY_S
    days = count.repetitions * each_days
    life = RepeatLife(
        days=days,
        kept_days=None if count.kept is None else count.kept * each_days,
        kept_above=count.kept_above,
    )
    if not ranges or not ranged(run.gadget):
        return life
    nominal = _rough_repetitions(run, prepared, fold)
    low, high = (
        _rough_repetitions(run, Prepared(gadget).without_rules(), fold)
        for gadget in _corners(run, fold)
    )
    return replace(
        life,
        low_days=days * min(low / nominal, 1.0),
        high_days=None if high == math.inf else days * max(high / nominal, 1.0),
    )


def time_left(run: Run, *, fold: bool = True) -> TimeLeft:
    """How long the cell lasts from the end of `run` on, if nobody touches the gadget any more."""
    return time_left_from(Prepared(run.gadget), run.final, seed=run.seed, fold=fold)


def _trial(run: Run, prepared: Prepared, charge: float, fold: bool) -> Trial:
    repeated = simulate(
        prepared.gadget,
        replace(run.scenario, charge=charge),
        seed=run.seed,
        fold=fold,
        trace=False,
        log=False,
        prepared=prepared,
    )
    kept = all(expected.met for expected in repeated.expectations)
    if repeated.empty_at_ns is None:
        return Trial(repeated.end_charge, kept=kept)
    passed_ns = repeated.empty_at_ns - repeated.start_ns
    return Trial(repeated.end_charge, passed_ns / repeated.duration_ns, kept)


# What a higher value does to the life where that is plain from the circuit: True shortens it, False
# lengthens it, None does nothing. By the whole key, else by its last word. The ends of everything
# else (timings, the reference, the sensor's optics) are tried by running a repetition with each.
SHORTENS = {
    "awake": True,
    "asleep": True,
    "base": False,
    "capacity": False,
    "cell.resistance": True,
    "current": True,
    "current_a": True,
    "cut_off": True,
    "finish": True,
    "float": False,
    "gain": False,
    "leakage": True,
    "on_resistance": False,
    "program": True,
    "pull_up": None,
    "resistance": False,
    "resistor": False,
    "restart": None,
    "saturation": False,
    "self_discharge": True,
    "supply": True,
    "voltage_v": False,
    "wake": True,
}


def _corners(run: Run, fold: bool) -> tuple[Gadget, Gadget]:
    """The gadget with every range at the end that shortens the life, and at the other end."""
    worst: dict[str, float] = {}
    best: dict[str, float] = {}
    for key, quantity in ranged(run.gadget).items():
        low, high = _ends(quantity)
        last = key.rpartition(".")[2]
        if key in SHORTENS or last in SHORTENS:
            shortens = SHORTENS.get(key, SHORTENS.get(last))
        else:
            shortens = _tried(run, key, (low, high), fold)
        if shortens is not None:
            worst[key], best[key] = (high, low) if shortens else (low, high)
    return with_values(run.gadget, worst), with_values(run.gadget, best)


def _ends(quantity: Figure | Timing) -> tuple[float, float]:
    if isinstance(quantity, Timing):
        return quantity.low_ns, quantity.high_ns
    return quantity.low, quantity.high


def _tried(run: Run, key: str, ends: tuple[float, float], fold: bool) -> bool | None:
    """Whether the upper end takes more charge per repetition than the lower; None if the same."""
    drops = []
    for end in ends:
        prepared = Prepared(with_values(run.gadget, {key: end})).without_rules()
        drops.append(SAMPLED_AT - _trial(run, prepared, SAMPLED_AT, fold).end_charge)
    return None if drops[0] == drops[1] else drops[1] > drops[0]


def _rough_repetitions(run: Run, prepared: Prepared, fold: bool) -> float:
    """Repetitions that the usable charge would last at the drop of one charge; inf for ever."""
    drop = SAMPLED_AT - _trial(run, prepared, SAMPLED_AT, fold).end_charge
    return _usable(run, prepared) / drop if drop > 0 else math.inf


def _usable(run: Run, prepared: Prepared) -> float:
    """The charge (0..1) above the cut-off under the heaviest load of the run."""
    cut_off = prepared.gadget.cell.cut_off
    drawn = [part for part in run.intervals if part.loads.charger == "off"]
    if cut_off is None or not drawn:
        return 1.0
    heaviest = max(drawn, key=lambda part: sum(part.consumers_a)).loads
    charge = np.linspace(0.0, 1.0, 2001)
    above = prepared.circuit.solve(heaviest, charge).voltage_v > cut_off.value
    return float(1.0 - charge[above][0]) if above.any() else 0.0


def count_repetitions(trial: Callable[[float], Trial]) -> Count:
    """How many repetitions fit between charge 1 and the opening of the protection.

    `trial(charge)` runs one repetition from `charge`. The last, unfinished repetition counts by the
    share that passed. Raises `Settles` where the charge comes to rest above empty.
    """
    counting = _Counting(trial)
    repetitions = counting.from_full()
    return counting.kept(repetitions)


class _Counting:
    """The repetitions counted so far, with every trial made."""

    def __init__(self, trial: Callable[[float], Trial]) -> None:
        self._trial = trial
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
            if len(self._seen) > MANY:
                allowed *= 10
            if self.empties(lower):
                if width <= 2 * drop:
                    return self._with_the_last(self._one_by_one(upper, 0.0))
                if width / drop <= allowed and len(self._seen) > MANY:
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

    def _one_by_one(self, charge: float, least: float) -> float:
        """Count repetitions from `charge` while each takes `least` or more and none empties."""
        while not self.empties(charge) and self.drop(charge) >= least:
            self._count += 1
            charge = self.trial(charge).end_charge
            self._passed.append((charge, self._count))
        return charge

    def kept(self, repetitions: float) -> Count:
        """The count, with what the trials tell of the expectations."""
        failed = max((s for s, trial in self._seen.items() if not trial.kept), default=None)
        if failed is None or not self._seen[1.0].kept:
            return Count(repetitions)
        last_kept = min(s for s, trial in self._seen.items() if trial.kept and s > failed)
        charges, counts = zip(*reversed(self._passed), strict=True)
        return Count(repetitions, float(np.interp(last_kept, charges, counts)), last_kept)

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
