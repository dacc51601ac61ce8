"""One combination of answers against what was seen: exact runs where a smooth surface points.

What is told rests on exact runs. A combination fits because a run fits; it is excluded only where
the least that exact runs are off, from several starts, is more than `SURE` tolerances, and where
the surfaces agree with the runs there; else it is open. An end of an interval is what a run that
fits everything reaches; what is printed lies further out by how well the surfaces told the runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.bench import observe
from simfw.benchlog.constraint import Constraint, offs_of
from simfw.benchlog.edge import Edge, comes, towards
from simfw.benchlog.jumping import Slope, between_looks, foretold, polished, slope_of
from simfw.benchlog.lending import Lent, Look
from simfw.benchlog.looks import (
    CLOSE,
    Aim,
    End,
    Trial,
    close_looks,
    differ,
    ends_of,
    lost,
    low_discrepancy,
    near,
    parted,
    seen,
    seen_of,
    smooth,
    step_of,
    worst_of,
)
from simfw.benchlog.margin import Margin
from simfw.benchlog.model import BenchLog
from simfw.benchlog.surface import Surface, squares
from simfw.benchlog.world import World
from simfw.errors import EndlessInstant, SimfwError

__all__ = ["FITS", "SURE", "Aim", "End", "Mistaken", "Rival", "State", "Trial"]

Array = NDArray[np.float64]

FITS = 1.0 + 1e-9
SURE = 1.05
"""Off by more tolerances than this, at the least, counts as a contradiction."""

_SAMPLES = (1, 8, 18, 32, 44, 56, 68, 80)  # by the number of figures that decide a margin
_MOST_SAMPLES = 96
_BESIDE = 2.0**-9  # of a range
_PROBES = 3
_CLOUD = 512  # points at which the surfaces are read to find where to begin
_STARTS = 3
_ROUNDS = 9
_ROUNDS_ASIDE = 4  # for what a reading could be: no figure rests on it
_NEAR = 5e-4  # of the way between two ends: steps smaller than this are no gain
_FAR = 5.0  # tolerances: beyond that it does not matter how far off something is
_GOOD = 0.02  # tolerances by which a surface through all looks may be off and be believed
_LOOSE = 2e-3  # of the way: an outer end further out than this is looked at
_LOOKS_OUT = 2  # so often
_TRUST = 0.25  # of what the surfaces were off by elsewhere is kept where they are off by less
_ROUGH = 0.25  # and by which an end that does not matter may be
_OUTWARD = 1e-3  # tolerances by which what is printed lies outside at the least
_SCAN = 32  # steps to the end of a range
_HOLDS = 0.7  # of what is worst: what is less off by the surfaces does not hold an end
_NEARLY = 0.5  # tolerances: what lies between the points of the cloud may fit
_EDGE = 0.01  # of the way: how far inside of an edge is as good as any
_BACK = 0.1  # by how much less may be off where what is looked for did not come
_LOST = 1.0  # tolerances by which surfaces may be off beside an edge that is not known well
_TRIES = 4
_LOW = 0.25  # tolerances: lower steps are part of a surface
_ALL_WAYS = 100
_WAYS = 10  # steps of several observations that are gone on with, of each its best start
_MET = 0.02  # of the way: a look so near tells what lies there
_MOST_CORNERS = 32
_FILL = 8  # times as many points as looks from which those inside of an edge are taken
_TEETH = 256  # looks at most at an observation that jumps, one for each tolerance of its slope
_LED = 8  # of which so many are led on

State = Literal["fits", "excluded", "open"]
Step = tuple[int, ...]


@dataclass(slots=True)
class _Sight:
    """One observation of a rival: the numbers that decide it, and every exact look at it."""

    dims: list[int]
    near: bool = False
    known: dict[tuple[float, ...], tuple[Margin, ...]] = field(default_factory=dict)
    surfaces: dict[bool, list[Surface]] = field(default_factory=dict)
    # The same for the looks on one step alone.
    stepped: dict[tuple[bool, Step], list[Surface]] = field(default_factory=dict)
    ends: list[tuple[float, float, float]] = field(default_factory=list)
    sampled: int = 0  # looks that were made before any proposal
    slope: Slope | None = None
    combed: float | None = None  # where it jumps: how far off it is at the least, between looks too
    teeth: list[Array] = field(default_factory=list)  # points at or beside which it may fit
    gap: float = 0.0  # between looks, in shares
    steps: tuple[int, float] | None = None  # how many there are, and how high (tolerances)
    # Of each step, and (None) of what comes, where some looks come and some do not.
    edges: dict[Step | None, Edge] = field(default_factory=dict)
    beside: set[tuple[float, ...]] = field(default_factory=set)  # looks on the way to the edge
    missed: float = 0.0  # tolerances by which surfaces were off in the latest look at an end


class Mistaken(Exception):
    """A figure decides an observation that it seemed not to decide: the search begins anew."""


class Rival:
    """One combination of answers with all it knows.

    `x` holds the share of the way (0..1) of each unknown, then of each range that belongs to one
    observation alone.
    """

    def __init__(
        self, log: BenchLog, combination: tuple[int, ...], *, seed: int, most: int,
        lent: Mapping[int, Lent] | None = None,
    ) -> None:
        """`lent`: looks of other combinations, by the number of the observation."""
        self.log, self.combination = log, combination
        self.seed, self.most = seed, most
        self.runs = 0
        self.lent = {} if lent is None else lent
        self.noted: dict[tuple[bool, tuple[float, ...]], Look] | None = None  # where looks are lent
        self.world = World(log.gadgets[combination])
        self.figures = len(log.unknowns)
        self.locals = [
            (n, name) for n, one in enumerate(log.observations) for name in one.local
        ]
        self.size = self.figures + len(self.locals)
        self.all = tuple(range(len(log.observations)))
        self.trials: list[Trial] = []
        self._trial_at: dict[bytes, int] = {}  # its number among the trials
        self.sights = [_Sight(dims=[]) for _ in self.all]
        self.wide: set[int] = set()  # observations that all figures decide
        self._ready: set[int] = set()  # those of which enough points were looked at
        self.error = 0.0  # how far surfaces were off where runs were made last
        self._cloud = low_discrepancy(self.size, _CLOUD, seed + 1)

    # -- exact looks -----------------------------------------------------------------------------

    @property
    def spent(self) -> bool:
        """Whether the runs that were allowed are used up."""
        return self.runs >= self.most

    def values(self, x: Sequence[float] | Array) -> dict[str, float]:
        """The figures at a point."""
        return {one.key: one.at(float(x[n])) for n, one in enumerate(self.log.unknowns)}

    def _own(self, number: int) -> list[int]:
        return [self.figures + k for k, (n, _) in enumerate(self.locals) if n == number]

    def _run(
        self, number: int, x: Sequence[float] | Array, values: dict[str, float] | None = None,
        met: set[tuple[str, str]] | None = None,
    ) -> tuple[Margin, ...]:
        """An exact look at one observation."""
        self.runs += 1
        seen = self.log.observations[number]
        local = {
            name: float(x[self.figures + k]) for k, (n, name) in enumerate(self.locals)
            if n == number
        }
        values = self.values(x) if values is None else values
        prepared = self.world.prepared(self.world.supplied(values) if seen.supply else values)
        return observe(prepared, seen, local, near=self.sights[number].near, met=met)

    def look(self, number: int, x: Sequence[float] | Array) -> tuple[Margin, ...]:
        """The same, remembered by the numbers that decide it."""
        sight = self.sights[number]
        key = tuple(float(x[k]) for k in sight.dims)
        found = sight.known.get(key)
        if found is None:
            point = [0.5] * self.size
            for k, value in zip(sight.dims, key, strict=True):
                point[k] = value
            try:
                found = self._first_run(number, point)
            except EndlessInstant:
                found = lost(next(iter(sight.known.values()), ()))
            sight.known[key] = found
            sight.surfaces.clear()
            sight.stepped.clear()
            sight.edges.clear()
        return found

    def _first_run(self, number: int, point: list[float]) -> tuple[Margin, ...]:
        """A look of another combination that holds here too, or an exact one."""
        made = self.sights[number].near, tuple(point)
        found = self.lent[number].find(*made) if number in self.lent else None
        if found is None:
            met: set[tuple[str, str]] = set()
            found = self._run(number, point, met=met)
            if self.noted is not None:
                known = frozenset(met) if self.log.observations[number].steps else None
                self.noted[made] = Look(found, known)
        return found

    def trial(
        self, x: Array, subset: Sequence[int] | None = None, *, until: float = math.inf
    ) -> Trial:
        """An exact look at some observations, or all, in their order; it ends with the first that
        is more than `until` off.
        """
        x = np.clip(x, 0.0, 1.0)
        place = self._trial_at.get(x.tobytes())
        offs = [math.inf] * len(self.all) if place is None else list(self.trials[place].offs)
        subset = self.all if subset is None else subset
        missing = [n for n in subset if offs[n] == math.inf]
        if seen_of(offs, subset) > until:
            missing = []
        for n in missing:
            offs[n] = max((one.off for one in self.look(n, x)), default=0.0)
            if offs[n] > until:
                break
        if place is None:
            place = self._trial_at[x.tobytes()] = len(self.trials)
            self.trials.append(Trial(x, tuple(offs)))
        elif missing:
            self.trials[place] = Trial(x, tuple(offs))
        return self.trials[place]

    def confirm(self, one: Trial, subset: Sequence[int] | None = None) -> None:
        """Look once more with every figure as it is at the point; raises `Mistaken`."""
        for n in self.all if subset is None else subset:
            sight = self.sights[n]
            if len(sight.dims) >= self.figures + len(self._own(n)):
                continue
            # What is sampled each second may fall into another one by rounding: not beside it, too.
            beside = one.x.copy()
            beside[sight.dims] += np.where(beside[sight.dims] < 0.5, _BESIDE, -_BESIDE)
            if self._more_decides(n, one.x) and self._more_decides(n, beside):
                self.wide.add(n)
                self._ready.discard(n)
                raise Mistaken

    def _more_decides(self, number: int, x: Array) -> bool:
        """Whether a look with every figure as it is at a point differs from what is known there."""
        return any(
            abs(a.z - b.z) > 1e-6 * max(1.0, abs(a.z))
            for a, b in zip(self._run(number, x), self.look(number, x), strict=True)
            if math.isfinite(a.z) or math.isfinite(b.z))

    def moved(
        self, number: int, figures: Mapping[str, float], x: Array
    ) -> tuple[Margin, ...] | None:
        """An exact look with more figures changed; None where that makes no gadget."""
        try:
            return self._run(number, x, {**self.values(x), **figures})
        except (SimfwError, ValueError):
            return None

    # -- what decides what -----------------------------------------------------------------------

    def lend(self, number: int) -> dict[tuple[bool, tuple[float, ...]], Look]:
        """The first looks at one observation, for other combinations."""
        self.noted = {}
        self._begin((number,))
        return self.noted

    def prepare(self) -> None:
        """Find which figures decide each observation, and look at enough points of each.

        After `Mistaken` again: what was looked at of the other observations stands.
        """
        self._begin(self.all)

    def _begin(self, numbers: Sequence[int]) -> None:
        self.trials.clear()
        self._trial_at.clear()
        if not self._ready and not self.wide:
            for n in numbers:
                self.runs += 1
                with suppress(EndlessInstant):
                    observe(self.world.rehearsed(), self.log.observations[n], {})
        for n in numbers:
            if n not in self._ready:
                self.sights[n] = self._sight(n)
                self._sample(n)
                self.sights[n].sampled = len(self.sights[n].known)
                self._ready.add(n)

    def _sight(self, number: int) -> _Sight:
        own = self._own(number)
        figures = list(range(self.figures))
        if number in self.wide:
            return _Sight(dims=figures + own)
        sight = _Sight(dims=figures + own)
        self.sights[number] = sight
        bases = low_discrepancy(self.size, 2 * _PROBES, self.seed + 7 * number)
        decide: set[int] = set()
        pairs = list(zip(bases[:_PROBES], bases[_PROBES:], strict=False))
        if pairs and not any(seen(self.look(number, base)) for base in bases):
            # Where nothing is to be seen no figure seems to matter: it is looked for elsewhere.
            pairs += [(x, bases[-1]) for x in self._farther(number)
                      if seen(self.look(number, x))][:_PROBES]
        for base, other in pairs:
            before = self.look(number, base)
            for k in figures:
                if k not in decide:
                    moved = base.copy()
                    moved[k] = other[k]
                    if differ(before, self.look(number, moved)):
                        decide.add(k)
        dims = sorted(decide) + own
        found = _Sight(dims=dims)
        for key, margins in sight.known.items():
            point = dict(zip(sight.dims, key, strict=True))
            found.known[tuple(point[k] for k in dims)] = margins
        return found

    def _farther(self, number: int) -> Array:
        """More points at which to look for an observation: corners, and points between."""
        dims = [*range(self.figures), *self._own(number)]
        points = low_discrepancy(self.size, 2 * _MOST_CORNERS, self.seed + 5 * number)
        count = min(_MOST_CORNERS, 1 << len(dims))
        # All corners where they are few, else some in which any two figures take all four ways.
        for n in range(count):
            mask = n if count == 1 << len(dims) else int(points[n, 0] * (1 << len(dims)))
            points[n, dims] = [float(mask >> k & 1) for k in range(len(dims))]
        return points

    def _sample(self, number: int) -> None:
        sight = self.sights[number]
        d = len(sight.dims)
        count = _SAMPLES[d] if d < len(_SAMPLES) else _MOST_SAMPLES
        points = low_discrepancy(d, count, self.seed + 13 * number)
        if 0 < d <= 3:
            corners = np.array(np.meshgrid(*[[0.0, 1.0]] * d)).reshape(d, -1).T
            points = np.vstack([corners, points])
        self._looks(number, points)
        self._fill(number, count)
        margins = list(sight.known.values())
        if not sight.near and any(map(parted, zip(*margins, strict=True))):
            sight.near = True  # a sight that some figures meet and some do not: how far in time
            sight.known.clear()
            self._looks(number, points)

    def _fill(self, number: int, count: int) -> None:
        """Where what is looked for seldom comes: more looks inside of its edge, as far as known."""
        sight = self.sights[number]
        d = len(sight.dims)
        want = max(count // 2, 2 * (d + 1) + 2)
        points = low_discrepancy(d, _FILL * count, self.seed + 19 * number)
        for _ in range(count):
            edge = self.edge(number)
            if edge is None or sum(map(comes, sight.known.values())) >= want or not len(points):
                break
            inside = edge.many(points)
            order = np.flatnonzero(inside >= 0.0)
            n = int(order[0] if len(order) else np.argmax(inside))
            self._looks(number, points[n : n + 1])
            points = np.delete(points, n, axis=0)

    def _looks(self, number: int, points: Array) -> None:
        sight = self.sights[number]
        for point in points:
            x = np.full(self.size, 0.5)
            x[sight.dims] = point
            self.look(number, x)

    # -- surfaces --------------------------------------------------------------------------------

    def _fitted(self, number: int, *, close: bool = False) -> _Sight:
        """An observation with its surfaces through all looks, or `close` ones: those that are not
        far off. What saturates far away (an empty cell) bends the one and not the other.
        """
        sight = self.sights[number]
        if close not in sight.surfaces:
            # Near the edge of what comes it may come later and later: too steep for a surface.
            known = [(key, row) for key, row in sight.known.items()
                     if key not in sight.beside or max(one.off for one in row) <= CLOSE]
            if close:
                known = close_looks(known, len(sight.dims), sight.sampled)
            keys = np.array([key for key, _ in known], dtype=float).reshape(len(known), -1)
            surfaces = []
            for k in range(len(known[0][1])):
                zs = np.array([smooth(row[k]) for _, row in known])
                good = np.isfinite(zs)
                if not good.any():  # it never comes, wherever it was looked for
                    good[-1] = True
                surfaces.append(Surface(keys[good], zs[good]))
            sight.surfaces[close] = surfaces
            sight.ends = [ends_of(one) for one in known[0][1]]
        return sight

    def edge(self, number: int) -> Edge | None:
        """Where what an observation looks for comes for some figures, and for some never."""
        return self._edge(number, None) if self._parted(number) else None

    def _parted(self, number: int) -> bool:
        """Whether what an observation looks for came in some looks, and in some not."""
        sight = self.sights[number]
        first = next(iter(sight.known.values()), None)
        if not sight.dims or first is None:
            return False
        came = comes(first)
        return any(comes(row) != came for row in sight.known.values())

    def _edge(self, number: int, step: Step | None) -> Edge:
        """The edge of a step, or (None) of what comes, by all looks so far."""
        sight = self.sights[number]
        if step not in sight.edges:
            here = np.array([comes(row) if step is None else step_of(row) == step
                             for row in sight.known.values()])
            sight.edges[step] = Edge(np.array(list(sight.known), dtype=float), here)
        return sight.edges[step]

    def _constraints(
        self, subset: Iterable[int], *, firm: bool = True, close: bool = False,
        beyond: float | None = 0.0,
    ) -> list[Constraint]:
        """What observations ask by their surfaces; edges may be passed by `beyond` (None: gone)."""
        found = []
        for n in subset:
            sight = self._fitted(n, close=close)
            edge = None if beyond is None else self.edge(n)
            if edge is not None and beyond is not None:
                dims = np.array(sight.dims, dtype=int)
                found.append(Constraint(edge, dims, -beyond, math.inf, _EDGE))
            rows = next(iter(sight.known.values()))
            for surface, ends, margin in zip(
                sight.surfaces[close], sight.ends, rows, strict=True
            ):
                if firm or not margin.firm:
                    found.append(Constraint(surface, np.array(sight.dims, dtype=int), *ends))
        return found

    # -- fitting ---------------------------------------------------------------------------------

    def best(self, subset: Sequence[int]) -> Trial | None:
        """Of the exact looks so far the one in which the worst of `subset` is least off."""
        return min(self.trials, key=lambda one: worst_of(one, subset), default=None)

    def least(self, subset: Sequence[int]) -> tuple[State, Trial]:
        """Whether figures fit all of `subset`, with the exact look that is least off."""
        from simfw.benchlog.solving import nearest_fit

        best = self.best(subset)
        if best is None or worst_of(best, subset) == math.inf:
            best = self.trial(np.full(self.size, 0.5), subset)
        if worst_of(best, subset) <= FITS:
            return "fits", best
        agreed = 0
        stepped = [n for n in subset if self._steps(n)]
        for round_ in range(_ROUNDS):
            gained = False
            for close in (False, True):
                constraints = self._constraints(subset, close=close)
                starts = [best.x, *self._starts(constraints, _STARTS)]
                count = 1 if round_ else _STARTS
                proposals = nearest_fit(constraints, starts, self.size)[:count]
                if stepped:
                    on_steps = self._on_steps(subset, stepped, best, close=close)
                    proposals = on_steps[: 1 + count] + proposals[:1]
                for told, x in proposals:
                    one = self.trial(x, subset)
                    worst = worst_of(one, subset)
                    if worst < worst_of(best, subset) - 1e-6:
                        best, gained = one, True
                    if worst <= FITS:
                        return "fits", one
                    close_by = abs(min(worst, _FAR) - min(told, _FAR)) <= 0.02 * max(1.0, worst)
                    agreed = agreed + 1 if close_by and worst > SURE else 0
                    one = self._inside(one, subset)
                    if worst_of(one, subset) < worst_of(best, subset) - 1e-6:
                        best, gained = one, True
                    if worst_of(one, subset) <= FITS:
                        return "fits", one
            if self.spent or (agreed >= 2 and not gained):
                break
        sure = worst_of(best, subset) > SURE and agreed >= 1 and not self._sometimes(best, subset)
        if sure and stepped:
            # On no steps do the surfaces let anything fit.
            told, _ = self._on_steps(subset, stepped, best, close=True, most=_ALL_WAYS)[0]
            sure = told > SURE
        if sure:
            sure, best = self._edges_hold(best, subset)
            if worst_of(best, subset) <= FITS:
                return "fits", best
        jumping = [n for n in subset if self.jumps(n)] if sure else []
        if not jumping:
            return ("excluded" if sure else "open"), best
        return self._combed(subset, jumping)

    # -- what goes in steps ----------------------------------------------------------------------

    def _steps(self, number: int) -> list[Step]:
        """The steps on which looks at an observation lie (bars that a meter reads, too); none
        where they are too low to matter.
        """
        sight = self.sights[number]
        steps = sorted({one for row in sight.known.values() if (one := step_of(row)) is not None})
        if len(steps) < 2:
            return []
        if sight.steps is None or sight.steps[0] != len(steps):
            xs = self._cloud[: len(self._cloud) // 8]
            heights = []
            for one, other in pairwise(steps):
                here, there = (self._on_step(number, step, close=False)[1:]
                               for step in (one, other))
                for a, b in zip(here, there, strict=True):
                    apart = np.abs(a.surface.many(xs[:, a.dims]) - b.surface.many(xs[:, b.dims]))
                    heights.append(float(np.median(apart)) / a.unit)
            sight.steps = len(steps), max(heights)
        return steps if sight.steps[1] > _LOW else []

    def _on_steps(
        self, subset: Sequence[int], stepped: Sequence[int], best: Trial, *, close: bool,
        most: int = _WAYS,
    ) -> list[tuple[float, Array]]:
        """Proposals where each observation stays on one step, from the best start on each way."""
        from simfw.benchlog.solving import nearest_fit

        calm = self._constraints([n for n in subset if n not in stepped], close=close)
        xs = np.vstack([best.x, self._cloud])
        offs, ways = offs_of(calm, xs), np.zeros((len(xs), len(stepped)), dtype=int)
        steps = [self._steps(n) for n in stepped]
        for place, n in enumerate(stepped):
            rows = [(key, one) for key, row in self.sights[n].known.items()
                    if (one := step_of(row)) is not None]
            apart = squares(xs[:, self.sights[n].dims], np.array([key for key, _ in rows]))
            numbers = np.array([steps[place].index(one) for _, one in rows])
            ways[:, place] = numbers[np.argmin(apart, axis=1)]
            for number, step in enumerate(steps[place]):
                here = np.flatnonzero(ways[:, place] == number)
                if len(here):
                    own = self._on_step(n, step, close=close)
                    offs[here] = np.maximum(offs[here], offs_of(own, xs[here]))
        order = [0, *np.argsort(offs, kind="stable")]
        starts: dict[tuple[int, ...], int] = {}
        for start in order:
            if len(starts) < most:
                starts.setdefault(tuple(map(int, ways[start])), int(start))
        proposals = []
        for way, start in starts.items():
            constraints = list(calm)
            for place, n in enumerate(stepped):
                constraints += self._on_step(n, steps[place][way[place]], close=close)
            proposals += nearest_fit(constraints, [xs[start]], self.size)
        return sorted(proposals, key=lambda one: one[0])

    def _on_step(self, number: int, step: Step, *, close: bool) -> list[Constraint]:
        """What an observation asks by surfaces through the looks on one step, and its edge."""
        sight = self._fitted(number, close=close)
        if (close, step) not in sight.stepped:
            known = [one for one in sight.known.items() if step_of(one[1]) == step]
            if close:
                known = close_looks(known, len(sight.dims), len(known))
            keys = np.array([key for key, _ in known], dtype=float)
            sight.stepped[close, step] = [
                Surface(keys, np.array([smooth(row[k]) for _, row in known]))
                for k in range(len(sight.ends))
            ]
        dims = np.array(sight.dims, dtype=int)
        return [Constraint(self._edge(number, step), dims, 0.0, math.inf, _EDGE),
                *(Constraint(one, dims, *ends)
                  for one, ends in zip(sight.stepped[close, step], sight.ends, strict=True))]

    # -- what never comes ------------------------------------------------------------------------

    def _inside(self, one: Trial, subset: Sequence[int], origin: Trial | None = None) -> Trial:
        """Where something did not come in a look, and does in others: the last look at which it
        does, on the way there from the nearest at which it did (or from `origin`).
        """
        for n in subset:
            sight = self.sights[n]
            if one.offs[n] == math.inf or self.spent or comes(
                    self.look(n, one.x)) or not self._parted(n):
                continue
            dims = sight.dims
            outside = one.x[dims]
            if origin is not None:
                start = origin.x[dims]
            else:
                keys = np.array([key for key, row in sight.known.items() if comes(row)])
                start = keys[int(np.argmin(((keys - outside) ** 2).sum(axis=1)))]
            before = set(sight.known)
            x = one.x.copy()
            x[dims] = towards(lambda point, n=n: self._at(n, point), start, outside)  # type: ignore[misc]
            sight.beside |= set(sight.known) - before
            one = self.trial(x, subset, until=math.inf if origin is None else FITS)
        return one

    def _edges_hold(self, best: Trial, subset: Sequence[int]) -> tuple[bool, Trial]:
        """Whether nothing fits for the edges of what comes, too, and the least that is off.

        Of all that the surfaces let fit if only it came, it is looked at where it is likeliest to
        come, until that is near a look at which it never did.
        """
        from simfw.benchlog.solving import extreme

        edged = [n for n in subset if self._parted(n)]
        for _ in range(_TRIES if edged else 0):
            changed = False
            for n, close in ((n, close) for n in edged for close in (False, True)):
                sight, edge = self.sights[n], self.edge(n)
                assert edge is not None
                constraints = self._constraints(subset, close=close, beyond=None)
                found = extreme(
                    constraints, self._within(n, edge),
                    [best.x, *self._starts(constraints, _STARTS)], SURE)
                if found is None:
                    continue
                never = np.array([key for key, row in sight.known.items() if not comes(row)])
                met = np.sqrt(((never - found[sight.dims]) ** 2).sum(axis=1)).min() <= _MET
                one = self._inside(self.trial(found, subset), subset)
                if worst_of(one, subset) < worst_of(best, subset):
                    best = one
                if worst_of(best, subset) <= SURE or self.spent:
                    return False, best
                changed |= not met
            if not changed:
                return True, best
        return not edged, best

    def _within(self, number: int, edge: Edge) -> Callable[[Array], tuple[float, Array]]:
        """How far inside of an edge a point lies, with its gradient."""
        dims = self.sights[number].dims

        def goal(x: Array) -> tuple[float, Array]:
            value, own = edge.at(x[dims])
            slope = np.zeros(self.size)
            slope[dims] = own
            return value, slope

        return goal

    # -- what jumps ------------------------------------------------------------------------------

    def jumps(self, number: int) -> bool:
        """Whether no surface can tell an observation: its margins are saws."""
        sight = self.sights[number]
        if sight.slope is None:
            known = list(sight.known.items())[: sight.sampled]
            sight.slope = Slope(0.0, jumps=False) if foretold(known) else slope_of(
                known, lambda point: self._at(number, point))
        return sight.slope.jumps

    def _at(self, number: int, point: Array) -> tuple[Margin, ...]:
        """A look where the numbers that decide an observation are those of `point`."""
        x = np.full(self.size, 0.5)
        x[self.sights[number].dims] = point
        return self.look(number, x)

    def comb(self) -> None:
        """Look for what fits all beside what is known, where an observation jumps."""
        jumping = [n for n in self.all if self.jumps(n)]
        if jumping:
            self._combed(self.all, jumping)

    def _combed(self, subset: Sequence[int], jumping: Sequence[int]) -> tuple[State, Trial]:
        """Look for fits where some observations of `subset` jump, on many points of each."""
        calm = tuple(n for n in subset if n not in jumping)
        state = self.least(calm)[0] if calm else "fits"
        for number in jumping:
            dims = self.sights[number].dims
            if self.sights[number].combed is None:
                self._comb(number)
            good = sorted(
                (max(one.off for one in row), key)
                for key, row in self.sights[number].known.items())
            constraints = self._constraints(calm)
            for off, key in good[: 4 * _LED]:
                if off > FITS or self.spent:
                    break
                # With these numbers where they are, the others where the surfaces are least off.
                xs = self._cloud.copy()
                xs[:, dims] = key
                self.trial(xs[int(np.argmin(offs_of(constraints, xs)))])
        best = self.best(subset)
        assert best is not None
        if worst_of(best, subset) <= FITS:
            return "fits", best
        far = any((self.sights[n].combed or 0.0) > SURE for n in jumping)
        return ("excluded" if far or state == "excluded" else "open"), best

    def _comb(self, number: int) -> None:
        """Many looks at an observation that jumps; the nearest are led along their teeth."""
        sight = self.sights[number]
        assert sight.slope is not None
        size = len(sight.dims)
        offs = [max(one.off for one in row) for row in sight.known.values()]
        sight.combed = min(offs) - between_looks(sight.slope, len(offs), size)
        if sight.combed > SURE:
            return
        count = min(_TEETH, 1 << math.ceil(size * math.log2(max(sight.slope.steep, 2.0))))
        points = low_discrepancy(size, count, self.seed + 17 * number)
        offs = []
        for point in points:
            if self.spent:
                sight.combed = 0.0  # nothing is excluded by part of a comb, and it tells no end
                return
            offs.append(max(one.off for one in self._at(number, point)))
        gap = between_looks(sight.slope, count, size)
        sight.combed, sight.gap = min(offs) - gap, count ** (-1.0 / size)
        sight.teeth = [x for x, off in zip(points, offs, strict=True) if off - gap <= SURE]
        for n in np.argsort(offs, kind="stable")[:_LED]:
            polished(points[n], lambda point: self._at(number, point))

    def never(self, number: int) -> bool:
        """Whether an observation came in no look: what is waited for, or the mode that is read."""
        return all(any(math.isnan(one.z) for one in row)
                   for row in self.sights[number].known.values())

    def _sometimes(self, best: Trial, subset: Sequence[int]) -> bool:
        """Whether something of `subset` never comes in the best look, and does in others.

        No surface tells where it comes, so that nothing is sure then.
        """
        return any(
            not comes(self.look(n, best.x)) and any(map(comes, self.sights[n].known.values()))
            for n in subset
        )

    def _starts(self, constraints: Sequence[Constraint], count: int) -> list[Array]:
        """Points at which the surfaces are least off."""
        offs = offs_of(constraints, self._cloud)
        return [self._cloud[n] for n in np.argsort(offs, kind="stable")[:count]]

    # -- ends ------------------------------------------------------------------------------------

    def end(self, aim: Aim, sign: int, subset: Sequence[int]) -> End | None:
        """The largest (sign 1) or smallest (-1) of an aim over all figures that fit `subset`."""

        def reach(one: Trial) -> float:
            return sign * self._aimed(aim, one.x)

        fitting = [one for one in self.trials if worst_of(one, subset) <= FITS]
        if not fitting:
            return None
        best = max(fitting, key=reach)
        slack, beyond, errors = 0.0, False, {False: 0.1, True: 0.1}
        for _ in range(_ROUNDS if aim.sight is None else _ROUNDS_ASIDE):
            if self.spent:
                break
            before = reach(best)
            worst, beyond = 0.0, False
            latest: Trial | None = None
            for close in (False, True):
                found = self._extreme(aim, sign, subset, best, 1.0 - slack, close=close)
                if found is None:
                    continue
                told = {n: self._told([n], found, close=close) for n in subset}
                # Where both surfaces lead to one point, one look tells it.
                one = latest = latest if latest is not None and near(latest.x, found) else (
                    self._tried(found, told))
                if self._lost(one, subset):
                    one = self._inside(one, subset, best)
                    worst, beyond = max(worst, _BACK), True
                    if worst_of(one, subset) <= FITS and reach(one) > reach(best):
                        best = one
                    continue
                looked = [n for n in subset if one.offs[n] < math.inf]
                exact = worst_of(one, looked)
                errors[close] = abs(exact - max((told[n] for n in looked), default=0.0))
                if exact > FITS:
                    worst = max(worst, min(exact - 1.0, 2.0 * errors[True]))
                elif reach(one) > reach(best):
                    best = one
            gain = reach(best) - before
            if worst == 0.0 and gain < _NEAR and slack < 0.01:
                break
            slack = 0.3 * slack if worst == 0.0 else min(0.3, max(1.2 * worst, 1e-4))
        if beyond:  # it ends where what is looked for comes no more, and no surface tells where
            errors = {close: max(error, _LOST) for close, error in errors.items()}
        # What goes in steps holds an end on each of them elsewhere, and bounds none.
        jumping = [n for n in subset if self.jumps(n)]
        calm = [n for n in subset if n not in jumping and not self._steps(n)]
        outer, points = self._outer(aim, sign, calm, best, errors)
        for _ in range(_LOOKS_OUT):
            if aim.share is None or self.spent or outer - reach(best) <= _LOOSE:
                break
            for close, x in points.items():
                # How far the surfaces are off where they would let the end lie.
                holds, most = self._holding(calm, x, close=close, firm=False)
                one = self._tried(x, {n: self._told([n], x, close=close) for n in subset})
                if self._lost(one, subset):
                    self._inside(one, subset, best)
                    continue
                error = abs(min(self._smooth_off(holds, x), _FAR) - min(most, _FAR))
                errors[close] = max(error, _TRUST * errors[close])
            for x in points.values():
                one = self._tried(x, {n: self._told([n], x, close=True) for n in subset})
                if worst_of(one, subset) <= FITS and reach(one) > reach(best):
                    best = one
            outer, points = self._outer(aim, sign, calm, best, errors)
        for n in jumping:  # no surface tells its end
            outer = min(outer, self._last_tooth(n, aim, sign))
        return End(reached=sign * reach(best), outer=sign * max(outer, reach(best)), trial=best)

    def _tried(self, x: Array, told: Mapping[int, float]) -> Trial:
        """An exact look at what may be the last point that fits observations, of which the surfaces
        have `told` how far each is off.

        Where one of the observations that hold it by the surfaces does not fit, these are enough:
        the surfaces learn of them. Of the others, one that does not fit is enough. What the
        surfaces say is worst, and what they were wrong about before, comes first.
        """
        order = sorted(told, key=lambda n: (-told[n] - self.sights[n].missed, n))
        most = max(told.values(), default=0.0)
        holds = [n for n in order if told[n] >= _HOLDS * most]
        one = self.trial(x, holds)
        if worst_of(one, holds) <= FITS:
            one = self.trial(x, order, until=FITS)
        for n in told:
            if one.offs[n] < math.inf:
                self.sights[n].missed = abs(min(one.offs[n], _FAR) - min(told[n], _FAR))
        return one

    def _last_tooth(self, number: int, aim: Aim, sign: int) -> float:
        """How far a share may reach by the looks at an observation that jumps."""
        sight = self.sights[number]
        if aim.share not in sight.dims or not sight.teeth:
            return math.inf
        k = sight.dims.index(aim.share)
        return max(sign * float(x[k]) for x in sight.teeth) + sight.gap

    def may_reach(self, number: int, k: int, subset: Sequence[int], shift: float) -> bool:
        """Whether a margin of an observation may lie `shift` tolerances to a side or more where
        `subset` fits. Only where the surfaces say that it stays a tolerance short of that, and an
        exact look agrees, it may not.
        """
        aim = Aim(sight=(number, k))
        best = self.best(subset)
        if best is None or worst_of(best, subset) > FITS:
            return False
        if any(self.jumps(n) for n in (number, *subset)):
            return True  # no surface tells
        margin = self.look(number, best.x)[k]
        for sign in (-1, 1):
            for close in (False, True):
                found = self._extreme(aim, sign, subset, best, 1.0, close=close)
                if found is None or self.spent:
                    return True
                told_z = sign * self._goal(aim, sign, close=close)(found)[0]
                exact = self.look(number, found)[k].z
                holds, most = self._holding(subset, found, close=close)
                error = abs(worst_of(self.trial(found, holds), holds) - most)
                aside = [abs(margin.aside(z)) for z in (told_z, exact)]
                # What never comes has no number, and lies further than any.
                if not all(one < shift - 1.0 for one in aside) or error > _ROUGH:
                    return True
        return False

    def _told(
        self, subset: Sequence[int], x: Array, *, close: bool, firm: bool = True
    ) -> float:
        constraints = self._constraints(subset, close=close, firm=firm, beyond=None)
        return max((c.off(c.surface.at(x[c.dims])[0]) for c in constraints), default=0.0)

    def _lost(self, one: Trial, subset: Sequence[int]) -> bool:
        """Whether something did not come in a look, and does in others."""
        return any(one.offs[n] < math.inf and not comes(self.look(n, one.x))
                   and self._parted(n) for n in subset)

    def _holding(
        self, subset: Sequence[int], x: Array, *, close: bool, firm: bool = True
    ) -> tuple[list[int], float]:
        """Those that hold an end at a point by the surfaces, and how far the worst of them is off.

        Of the others an exact look could only say that they hold more than the surfaces say.
        """
        told = {n: self._told([n], x, close=close, firm=firm) for n in subset}
        most = max(told.values(), default=0.0)
        return [n for n in subset if told[n] >= _HOLDS * most], most

    def _smooth_off(self, subset: Sequence[int], x: Array) -> float:
        """How far off an exact look is, but for what is a yes or a no."""
        return max((one.off for n in subset for one in self.look(n, x) if not one.firm),
                   default=0.0)

    def _extreme(
        self, aim: Aim, sign: int, subset: Sequence[int], best: Trial, allow: float, *,
        close: bool, firm: bool = True, beyond: float = 0.0,
    ) -> Array | None:
        """Where the surfaces say that the aim is largest with nothing more than `allow` off."""
        from simfw.benchlog.solving import extreme

        constraints = self._constraints(subset, close=close, firm=firm, beyond=beyond)
        goal = self._goal(aim, sign, close=close)
        offs = offs_of(constraints, self._cloud)
        near = [self._cloud[n] for n in np.flatnonzero(offs <= max(allow, 1.0) + 0.2)]
        near.sort(key=lambda x: -goal(x)[0])
        return extreme(constraints, goal, [best.x, *near[:_STARTS]], allow)

    def _outer(self, aim: Aim, sign: int, subset: Sequence[int], best: Trial,
               errors: Mapping[bool, float]) -> tuple[float, dict[bool, Array]]:
        """How far the aim could reach if the surfaces were off by twice what they were, and where
        those through all looks, or close ones, say so.
        """
        points: dict[bool, Array] = {}
        if self.spent:
            return math.inf, points
        reached = self._goal(aim, sign)(best.x)[0]
        for close in (False, True):
            if not close and errors[False] > max(_GOOD, 2.0 * errors[True]):
                continue
            allow = 1.0 + max(_OUTWARD, 2.0 * errors[close])
            found = self._extreme(
                aim, sign, subset, best, allow, close=close, firm=False, beyond=_MET)
            if found is not None:
                points[close] = found
                reached = max(reached, self._goal(aim, sign, close=close)(found)[0])
        if not points:
            reached = max(reached, self._scanned(aim, sign, subset, best))
        return reached, points

    def _scanned(self, aim: Aim, sign: int, subset: Sequence[int], best: Trial) -> float:
        """How far a share could reach where the optimiser finds no way: step by step outwards."""
        if aim.share is None:
            return math.inf
        constraints = self._constraints(subset, firm=False, close=True, beyond=None)
        here, end = float(best.x[aim.share]), float(sign > 0)
        steps = np.linspace(here, end, _SCAN + 1)
        far = 0
        for n, share in enumerate(steps):
            xs = self._cloud.copy()
            xs[:, aim.share] = share
            if float(offs_of(constraints, xs).min()) <= 1.0 + _NEARLY:
                far = n
        return sign * float(steps[min(far + 1, _SCAN)])

    def _aimed(self, aim: Aim, x: Array) -> float:
        if aim.sight is not None:
            number, k = aim.sight
            return smooth(self.look(number, x)[k])
        return self._figured(aim, x)[0]

    def _figured(self, aim: Aim, x: Array) -> tuple[float, Array]:
        """An aim that figures alone decide, and its gradient."""
        slope = np.zeros(self.size)
        if aim.share is not None:
            slope[aim.share] = 1.0
            return float(x[aim.share]), slope
        value = 0.0
        for k, power in (*((k, 0) for k in aim.sum), *aim.ratio):
            one = self.log.unknowns[k]
            here = one.at(float(x[k]))
            rises = here * math.log(one.high / one.low) if one.ratio else one.high - one.low
            value += math.log(here) * power if power else here
            slope[k] += rises / here * power if power else rises
        return value, slope

    def _goal(
        self, aim: Aim, sign: int, *, close: bool = False
    ) -> Callable[[Array], tuple[float, Array]]:
        """The aim by figures or surfaces, with its gradient, to be made as large as can be."""
        sight = None if aim.sight is None else self._fitted(aim.sight[0], close=close)

        def goal(x: Array) -> tuple[float, Array]:
            if sight is None or aim.sight is None:
                value, slope = self._figured(aim, x)
            else:
                value, own = sight.surfaces[close][aim.sight[1]].at(x[sight.dims])
                slope = np.zeros(self.size)
                slope[sight.dims] = own
            return sign * value, sign * slope

        return goal
