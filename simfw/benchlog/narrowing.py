"""`narrow`: what is left of the guesses of a bench log, and what holds each end."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.lending import Lent, Looks, shares
from simfw.benchlog.looking import Mistaken, Sight, TooDear
from simfw.benchlog.looks import worst_of
from simfw.benchlog.model import CLOCK, BenchLog, Unknown
from simfw.benchlog.narrowed import (
    Contradiction,
    Interval,
    Meaning,
    Narrowed,
    RivalResult,
    Suspects,
    Together,
    Unnoticed,
)
from simfw.benchlog.search import FITS, Aim, End, Rival, State, Trial
from simfw.benchlog.taken import MOST_LOOKS, rests_on, suspects
from simfw.engine.modes import modes_of_states
from simfw.engine.supply import charged_from
from simfw.engine.untouched import charge_from_empty, time_on_the_shelf

__all__ = ["MOST_RUNS", "narrow"]

Result = TypeVar("Result")
_Kept = tuple[list[Sight], NDArray[np.float64]]  # all looks at a combination, and the nearest point

MOST_RUNS = 20_000
"""Exact runs of observations that may be made for one combination."""
MOST_WORK = 4_000_000
"""Units of work (instants of runs, above all) that all combinations share alike."""

_HELD = 0.97  # an observation this far off, in tolerances, holds an end
_ASIDE = 0.05  # of a figure's range, to see which observations it moves
_BEARS = 0.1  # of the tolerances by which it moves that which it moves most: less holds no end
_EDGE = 1e-6
_MOST_SUBSETS = 200
_FEW = 2  # observations of a set that is looked at twice before it is left open
_MOST_LEFT = 12  # sets that hold no contradiction, looked at before all smaller ones
_MOST_TOGETHER = 6
_TIGHT = 0.5  # what figures make together is told where it is that much better known
_SHIFT = 3.0  # tolerances by which a reading could be wrong and still be believed
_MEANT = 8  # gadgets of a rival of which is told what they mean


def narrow(
    log: BenchLog, *, seed: int = 0, runs: int = MOST_RUNS, jobs: int = 1, brief: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Narrowed:
    """Narrow the unknowns of a bench log by what was observed.

    `runs` bounds the exact runs of each combination; `jobs` processes share the combinations, and
    the result does not depend on them. `brief` leaves out what is told beside combinations and
    intervals (trade-offs, misreadings, guesses, meanings). `progress(done, all)` counts
    combinations. Raises DescriptionError where the figures make no circuit.
    """
    found: list[RivalResult] = []
    count = len(log.combinations)
    work = MOST_WORK // count
    shared = list(shares(log))
    first = list(_mapped(jobs, _lend, [
        (log, next(iter(group)), n, seed, work * len(group)) for n, group in shared]))
    lent: dict[tuple[int, ...], dict[int, Lent]] = {one: {} for one in log.combinations}
    for (n, group), (looks, _) in zip(shared, first, strict=True):
        for combination, states in group.items():
            lent[combination][n] = Lent(states, looks)
    nearest: tuple[RivalResult, _Kept] | None = None
    for one, kept in _mapped(jobs, _one, [
        (log, one, seed, runs, brief, lent[one], work) for one in log.combinations
    ]):
        found.append(one)
        if kept is not None and (nearest is None or one.off < nearest[0].off):
            nearest = one, kept
        if progress is not None:
            progress(len(found), count)
    rivals = tuple(found)
    left = [one for one in rivals if one.state != "excluded"]
    everywhere = _everywhere(log, rivals)
    left_out = {} if left else {
        seen.name: tuple(
            one.combination for one in rivals
            if one.contradictions and all(
                seen.name in c.observations for c in one.contradictions)
        )
        for seen in sorted(log.observations, key=lambda one: not one.doubt)
    }
    wrong, more = (None, 0) if left or nearest is None else _suspects(log, *nearest, seed)
    deciding = {key for one in rivals for keys in one.decided_by.values() for key in keys}
    return Narrowed(
        log=log, seed=seed, rivals=rivals, intervals=_over_all(log, left),
        contradictions=everywhere, left_out={k: v for k, v in left_out.items() if v},
        untouched=() if any(one.not_looked_at for one in rivals) else tuple(
            one.key for one in log.unknowns if one.key not in deciding),
        runs=sum(one.runs for one in rivals) + sum(made for _, made in first) + more,
        suspects=wrong,
    )


def _mapped(
    jobs: int, work: Callable[..., Result], tasks: Sequence[tuple[object, ...]]
) -> Iterator[Result]:
    """What `work` makes of each task, in their order, by so many processes."""
    jobs = min(jobs, len(tasks))
    if jobs <= 1:
        for task in tasks:
            yield work(*task)
        return
    from concurrent.futures import ProcessPoolExecutor

    from simfw.beside import begin_worker

    with ProcessPoolExecutor(jobs, initializer=begin_worker) as pool:
        yield from pool.map(work, *zip(*tasks, strict=True))


def _lend(
    log: BenchLog, combination: tuple[int, ...], number: int, seed: int, work: int
) -> tuple[Looks, int]:
    """The first looks of one combination at one observation, and how many runs they were; none
    where they would be more `work`.
    """
    rival = Rival(log, combination, seed=seed, most=0, most_work=work)
    try:
        return rival.lend(number), rival.runs
    except TooDear:
        return {}, rival.runs


def _one(
    log: BenchLog, combination: tuple[int, ...], seed: int, runs: int, brief: bool,
    lent: Mapping[int, Lent], work: int,
) -> tuple[RivalResult, _Kept | None]:
    """What is found of a combination; where it is excluded with all that was looked at."""
    rival = Rival(log, combination, seed=seed, most=runs, lent=lent, most_work=work)
    while True:
        try:
            rival.prepare()
            found = _result(rival, brief)
        except Mistaken:
            continue
        except TooDear as dear:
            rival.leave_out(dear.number)
            continue
        best = rival.best(rival.all)
        if found.state != "excluded" or brief or best is None or found.not_looked_at:
            return found, None
        for sight in rival.sights:
            sight.forget()
        return found, (rival.sights, best.x)


def _suspects(
    log: BenchLog, nearest: RivalResult, kept: _Kept, seed: int
) -> tuple[Suspects, int]:
    """What the gadget file could have wrong where nothing fits, and how many runs that took."""
    rival = Rival(log, nearest.combination, seed=seed, most=MOST_LOOKS)
    names = [seen.name for seen in log.observations]
    smallest = nearest.contradictions[0].observations
    try:
        rival.take_up(*kept)
        found = suspects(rival, [names.index(name) for name in smallest])
    except TooDear:  # at a point that nobody has looked at yet
        found = Suspects(combination=nearest.combination, figures=(), asked=0, whole=False)
    return found, rival.runs


def _result(rival: Rival, brief: bool) -> RivalResult:
    log = rival.log
    state, best = whole, _ = rival.least(rival.all)
    if state == "open" and rival.parts_exclude(best):
        state = "excluded"
    made = RivalResult(
        combination=rival.combination, answers=log.answers(rival.combination), state=state,
        off=worst_of(best, rival.all), runs=0, whole=True,
        not_looked_at=tuple(log.observations[n].name for n in rival.left_out),
        decided_by={
            seen.name: tuple(log.unknowns[k].key for k in sight.dims if k < rival.figures)
            for n, (seen, sight) in enumerate(zip(log.observations, rival.sights, strict=True))
            if n in rival.all
        },
    )
    rival.confirm(best)
    if state == "fits":
        rival.comb()
        ends = {k: _ends(rival, Aim(share=k)) for k in range(rival.figures)}
        for pair in ends.values():
            for end in pair:
                rival.confirm(end.trial)
        made = replace(
            made,
            intervals=tuple(_interval(rival, k, *ends[k]) for k in ends),
            together=() if brief or rival.left_out else _together(rival),
            unnoticed=() if brief else _unnoticed(rival),
            guesses=() if brief else rests_on(rival, best),
        )
        made = replace(made, guesses_not_tried=tuple(sorted(rival.too_dear)))
        tips = [end.trial for pair in ends.values() for end in pair] or [best]
        fitting = list({one.x.tobytes(): one for one in tips}.values())
        made = replace(
            made, meanings=() if brief else _meanings(rival, fitting),
            fitting=tuple(rival.values(one.x) for one in fitting),
            fitting_local=tuple(
                {key: float(one.x[rival.figures + k]) for k, key in enumerate(rival.locals)}
                for one in fitting),
        )
    elif state == "open":
        made = replace(made, intervals=tuple(
            Interval(key=one.key, low=one.low, high=one.high, low_reached=math.nan,
                     high_reached=math.nan)
            for one in log.unknowns))
    else:
        made = replace(made, contradictions=_contradictions(rival, whole))
        if rival.fitted(rival.all):  # found while fewer were asked
            return _result(rival, brief)
    if made.state == "fits" and rival.left_out:
        made = replace(
            made, state="open", meanings=(), fitting=(), fitting_local=(), intervals=tuple(
                replace(one, low_reached=math.nan, high_reached=math.nan)
                for one in made.intervals))
    return replace(made, runs=rival.runs, whole=not (rival.spent or rival.left_out))


def _ends(rival: Rival, aim: Aim) -> tuple[End, End]:
    low, high = rival.end(aim, -1, rival.all), rival.end(aim, 1, rival.all)
    assert low is not None
    assert high is not None
    # Any run that fits counts, whatever it was made for.
    return low, high


def _interval(rival: Rival, k: int, low: End, high: End) -> Interval:
    one = rival.log.unknowns[k]
    shares = [float(t.x[k]) for t in rival.trials if worst_of(t, rival.all) <= FITS]
    reached_low, reached_high = min([low.reached, *shares]), max([high.reached, *shares])
    outer_low = max(0.0, min(low.outer, reached_low))
    outer_high = min(1.0, max(high.outer, reached_high))
    return Interval(
        key=one.key, low=one.at(outer_low), high=one.at(outer_high),
        low_reached=one.at(reached_low), high_reached=one.at(reached_high),
        low_by=() if outer_low <= _EDGE else _holding(rival, low.trial, k),
        high_by=() if outer_high >= 1.0 - _EDGE else _holding(rival, high.trial, k),
    )


def _holding(rival: Rival, one: Trial, k: int) -> tuple[str, ...]:
    """The observations that hold an end: those at the edge of their tolerance there that this
    figure moves. One that it hardly moves, beside another, is at its edge for another figure.
    """
    names = [seen.name for seen in rival.log.observations]
    held = [n for n in rival.all if one.offs[n] >= _HELD]
    own = [n for n in rival.all if k in rival.sights[n].dims]
    direct = [n for n in held if n in own]
    if len(direct) > 1:
        aside = one.x.copy()
        aside[k] += _ASIDE if aside[k] < 0.5 else -_ASIDE
        here, there = (rival.told(direct, x, close=True) for x in (one.x, aside))
        moved = {n: abs(there[n] - here[n]) for n in direct}
        direct = [n for n in direct if moved[n] >= _BEARS * max(moved.values())]
    return tuple(names[n] for n in direct or held or own)


# -- figures together --------------------------------------------------------------------------


def _together(rival: Rival) -> tuple[Together, ...]:
    """Pairs of which the sum, the ratio or the product is known much better than each alone."""
    fitting = [one for one in rival.trials if one.worst <= FITS]
    unknowns = rival.log.unknowns
    tried: list[tuple[float, str, int, int, float, Aim]] = []
    for a, b in combinations(range(rival.figures), 2):
        one, two = unknowns[a], unknowns[b]
        if CLOCK in (one.key, two.key) or one.low <= 0 or two.low <= 0:
            continue
        kinds = ["sum"] if one.dimension is two.dimension else ["ratio", "product"]
        for kind in kinds:
            values = [_pair(kind, one.at(float(t.x[a])), two.at(float(t.x[b]))) for t in fitting]
            alone = [
                _spread(kind, [unknowns[k].at(float(t.x[k])) for t in fitting]) for k in (a, b)
            ]
            spread = max(values) - min(values)
            wide = sum(alone) if kind == "sum" else max(alone)
            if min(alone) > 0 and spread < _TIGHT * wide and _worth(kind, alone, values):
                tried.append((spread / wide, kind, a, b, wide, _pair_aim(kind, a, b)))
    found = []
    for _, kind, a, b, wide, aim in sorted(tried, key=lambda one: one[:4])[:_MOST_TOGETHER]:
        low, high = _ends(rival, aim)
        ends = (low.outer, high.outer)
        # The runs that fit may lie closer by chance than what was looked for shows.
        if all(math.isfinite(end) for end in ends) and ends[1] - ends[0] < wide:
            found.append(Together(
                kind=kind, keys=(unknowns[a].key, unknowns[b].key),
                low=ends[0] if kind == "sum" else math.exp(ends[0]),
                high=ends[1] if kind == "sum" else math.exp(ends[1]),
            ))
    return tuple(found)


def _pair(kind: str, one: float, two: float) -> float:
    if kind == "sum":
        return one + two
    return math.log(one) + (math.log(two) if kind == "product" else -math.log(two))


def _pair_aim(kind: str, a: int, b: int) -> Aim:
    if kind == "sum":
        return Aim(sum=(a, b))
    return Aim(ratio=((a, 1), (b, 1 if kind == "product" else -1)))


def _spread(kind: str, values: Sequence[float]) -> float:
    return max(values) - min(values) if kind == "sum" else math.log(max(values) / min(values))


def _worth(kind: str, alone: Sequence[float], values: Sequence[float]) -> bool:
    """Whether both are open enough for it to matter what they make together."""
    if kind == "sum":
        return min(alone) > 0.2 * max(alone)
    return min(alone) > 0.1 and max(values) - min(values) < _TIGHT * min(alone)


# -- contradictions ----------------------------------------------------------------------------


def _contradictions(rival: Rival, whole: State) -> tuple[Contradiction, ...]:
    """The smallest sets of observations that nothing fits, each looked at by exact runs.

    `whole`: what was found of all together.
    """
    names = [seen.name for seen in rival.log.observations]
    found = _Sets(rival, whole).contradictions()
    if not found:
        found = [rival.all]
    told = []
    for subset in found:
        best = rival.best(subset)
        assert best is not None
        rival.confirm(best, subset)
        told.append(Contradiction(
            observations=tuple(names[n] for n in subset), off=worst_of(best, subset),
            minimal=all(rival.fitted(part) for part in
                        combinations(subset, len(subset) - 1) if part),
            never=tuple(names[n] for n in subset if rival.never(n)),
        ))
    return tuple(told)


class _Sets:
    """Sets of observations of one combination, and what was found of each."""

    def __init__(self, rival: Rival, whole: State) -> None:
        self.rival = rival
        self.states: dict[tuple[int, ...], State] = {rival.all: whole}

    @property
    def spent(self) -> bool:
        """Whether as many were looked at as may be."""
        return self.rival.spent or len(self.states) > _MOST_SUBSETS

    def contradictions(self) -> list[tuple[int, ...]]:
        """The smallest sets that nothing fits, as far as they were found, small ones first."""
        found: list[tuple[int, ...]] = []
        held: list[tuple[int, ...]] = []  # what was found, or what of it does not fit by itself
        searched: set[tuple[int, ...]] = set()
        while not self.spent:
            # The largest sets that hold nothing of what was found: where all fit, that is all.
            left = _without(held, self.rival.all)
            if left is None:
                some = next(self._searched(self.rival.all, held), None)
            else:
                some = next((one for one in left if self._state(one) == "excluded"), None)
                for one in left:
                    if some is None and one not in searched and self._state(one) == "open":
                        some = next(self._searched(one, held), None)
                        if some is None:
                            searched.add(one)
            if some is None:
                break
            found.append(self._smallest(some))
            held.append(self._smallest(found[-1], ("open", "excluded")))
        return sorted(found, key=lambda one: (len(one), one))

    def _state(self, subset: tuple[int, ...]) -> State:
        if self.rival.fitted(subset):
            return "fits"
        if subset not in self.states:
            self.states[subset], _ = self.rival.least(subset)
            if self.states[subset] == "open" and len(subset) <= _FEW and not self.rival.spent:
                # The surfaces have learned where they were wrong: a smaller set tells more.
                self.states[subset], _ = self.rival.least(subset)
        return self.states[subset]

    def _smallest(
        self, subset: tuple[int, ...], asked: Sequence[State] = ("excluded",)
    ) -> tuple[int, ...]:
        """What is left of a set that nothing fits (whose state is one of `asked`) without those
        that it needs not for that.

        Those that hold the look that is least off may be enough; the others are left out one by
        one. What is open without one keeps it.
        """
        best = self.rival.best(subset)
        assert best is not None
        most = worst_of(best, subset)
        held = tuple(n for n in subset if best.offs[n] >= _HELD * most)
        if self._state(held) in asked:
            subset = held
        for n in sorted(subset, key=lambda n: best.offs[n]):
            rest = tuple(k for k in subset if k != n)
            if rest and not self.spent and self._state(rest) in asked:
                subset = rest
        return subset

    def _searched(
        self, everything: tuple[int, ...], found: Sequence[tuple[int, ...]]
    ) -> Iterator[tuple[int, ...]]:
        """Sets within an open one that nothing fits, small ones first: nothing that holds what was
        found, nor what is open itself, for that is searched for long and seldom in vain.
        """
        gone = [set(one) for one in found]
        for size in range(1, len(everything)):
            for subset in combinations(everything, size):
                if self.spent:
                    return
                if any(one <= set(subset) for one in gone):
                    continue
                state = self._state(subset)
                if state == "excluded":
                    yield subset
                if state != "fits":
                    gone.append(set(subset))


def _without(
    found: Sequence[tuple[int, ...]], everything: Sequence[int]
) -> list[tuple[int, ...]] | None:
    """The largest sets that hold none of those that were found; None where they are many."""
    taken: set[frozenset[int]] = {frozenset()}
    for one in found:
        taken = {hit if hit & set(one) else hit | {n} for hit in taken for n in one}
        taken = {hit for hit in taken if not any(other < hit for other in taken)}
        if len(taken) > _MOST_LEFT:
            return None
    sets = [tuple(n for n in everything if n not in hit) for hit in taken]
    return sorted((one for one in sets if one), key=lambda one: (-len(one), one))


def _everywhere(log: BenchLog, rivals: Sequence[RivalResult]) -> tuple[Contradiction, ...]:
    """The smallest sets that are contradictory in every combination."""
    names = [seen.name for seen in log.observations]
    if any(one.state != "excluded" for one in rivals):
        return ()
    found: list[Contradiction] = []
    for size in range(1, len(names) + 1):
        for subset in combinations(names, size):
            own = set(subset)
            if any(set(one.observations) <= own for one in found):
                continue
            inside = [
                [c for c in rival.contradictions if set(c.observations) <= own]
                for rival in rivals
            ]
            if all(inside):
                found.append(Contradiction(
                    observations=subset, off=min(max(c.off for c in cs) for cs in inside),
                    minimal=all(c.minimal for cs in inside for c in cs),
                    never=tuple(name for name in subset
                                if all(any(name in c.never for c in cs) for cs in inside))))
        if found and size > 4:
            break
    return tuple(found)


# -- misreadings, guesses, meanings ------------------------------------------------------------


def _unnoticed(rival: Rival) -> tuple[Unnoticed, ...]:
    """Observations of which the others believe much more than was read."""
    found = []
    for n in rival.all:
        others = tuple(k for k in rival.all if k != n)
        for k, margin in enumerate(rival.sights[n].like):
            if margin.firm or not rival.sights[n].dims:
                continue
            if not rival.may_reach(n, k, others, _SHIFT):
                continue
            low = rival.end(Aim(sight=(n, k)), -1, others)
            high = rival.end(Aim(sight=(n, k)), 1, others)
            if low is None or high is None:
                continue
            values = [
                value for end in (low, high)
                if (value := rival.look(n, end.trial.x)[k].value) is not None
            ]
            offs = [margin.aside(rival.look(n, end.trial.x)[k].z) for end in (low, high)]
            if len(values) < 2 or (offs[0] > -_SHIFT and offs[1] < _SHIFT):
                continue
            found.append(Unnoticed(
                observation=rival.log.observations[n].name, low=min(values), high=max(values),
                unit=margin.unit))
            break
    return tuple(found)


def _meanings(rival: Rival, fitting: Sequence[Trial]) -> tuple[Meaning, ...]:
    """How long gadgets that fit last, on the shelf and in each mode that was read, and charge."""
    read = [seen.reading for seen in rival.log.observations if seen.reading is not None]
    states = list(dict.fromkeys(
        one.states[0] for one in read if len(one.states) == 1 and not one.usb))
    times: dict[str, list[float | None]] = {}
    some = fitting[:_MEANT]
    for one in some:
        prepared = rival.world.prepared(rival.values(one.x))
        shelf = time_on_the_shelf(prepared)
        times.setdefault("full cell, untouched", []).append(shelf.seconds)
        if prepared.gadget.charger is not None:
            charge = charge_from_empty(prepared, shelf)
            what = f"charge from {charged_from(prepared.gadget)}"
            times.setdefault(what, []).append(charge.time_s)
        known = {r.name: {s.name for s in r.states} for r in prepared.system.regions}
        exact = [state for state in states if state[1] in known.get(state[0], ())]
        for (name, state), mode in modes_of_states(
            prepared.gadget, exact, prepared=prepared
        ).items():
            times.setdefault(f"full cell, {name}.{state}", []).append(mode.run_time_s)
    return tuple(
        Meaning(
            what=what,
            low_s=min((t for t in found if t is not None), default=None),
            high_s=None if None in found else max(t for t in found if t is not None),
            gadgets=len(some),
        )
        for what, found in times.items()
    )


def _over_all(log: BenchLog, left: Sequence[RivalResult]) -> tuple[Interval, ...]:
    """The intervals over all combinations that are left."""
    if not left:
        return ()
    return tuple(_joined(one, [r.intervals[k] for r in left])
                 for k, one in enumerate(log.unknowns))


def _joined(one: Unknown, parts: Sequence[Interval]) -> Interval:
    low = min(parts, key=lambda part: part.low)
    high = max(parts, key=lambda part: part.high)
    reached = [p for p in parts if math.isfinite(p.low_reached)]
    return Interval(
        key=one.key, low=low.low, high=high.high,
        low_reached=min((p.low_reached for p in reached), default=math.nan),
        high_reached=max((p.high_reached for p in reached), default=math.nan),
        low_by=low.low_by, high_by=high.high_by,
    )

