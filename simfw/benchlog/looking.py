"""Exact looks at one combination of answers: what decides what, and surfaces through looks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain, islice

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.bench import Work, observe
from simfw.benchlog.constraint import Constraint
from simfw.benchlog.edge import Edge
from simfw.benchlog.jumping import Slope
from simfw.benchlog.lending import Lent, Look, Looks
from simfw.benchlog.looks import (
    CLOSE,
    Trial,
    close_looks,
    differ,
    ends_of,
    lost,
    low_discrepancy,
    parted,
    seen,
    seen_of,
    smooth,
    step_of,
)
from simfw.benchlog.margin import Margin, comes
from simfw.benchlog.model import BenchLog
from simfw.benchlog.surface import Surface
from simfw.benchlog.world import World
from simfw.engine.observer import TooMany
from simfw.errors import EndlessInstant, SimfwError

__all__ = [
    "FAR_OFF", "INSIDE", "MET", "MOST_EACH", "STARTS", "Looking", "Mistaken", "Sight", "Step",
    "TooDear",
]  # fmt: skip

Array = NDArray[np.float64]

Step = tuple[int, ...]

STARTS = 3  # points at which an optimiser begins beside the best look
FAR_OFF = 5.0  # tolerances: beyond that it does not matter how far off something is
INSIDE = 0.01  # of the way: how far inside of an edge is as good as any
MET = 0.02  # of the way: a look so near tells what lies there

_SAMPLES = (1, 8, 18, 32, 44, 56, 68, 80)  # by the number of figures that decide a margin
_MOST_SAMPLES = 96
MOST_EACH = 250_000
"""Units of work of one look (instants of a run, above all)."""
_FIRST = 0.8  # of the work, for the looks before any proposal
_BESIDE = 2.0**-9  # of a range
_PROBES = 3
_CLOUD = 512  # points at which the surfaces are read to find where to begin
_MOST_CORNERS = 32
_FILL = 8  # times as many points as looks from which those inside of an edge are taken


@dataclass(slots=True)
class Sight:
    """One observation of a rival: the numbers that decide it, and every exact look at it."""

    dims: list[int]
    near: bool = False
    known: dict[tuple[float, ...], tuple[Margin, ...]] = field(default_factory=dict)
    surfaces: dict[bool, list[Surface]] = field(default_factory=dict)
    # The same for the looks on one step alone.
    stepped: dict[tuple[bool, Step], list[Surface]] = field(default_factory=dict)
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

    @property
    def like(self) -> tuple[Margin, ...]:
        """A look that tells what is asked, and between which ends: the first at which all came,
        for what comes after something that never came has no ends; where none did, the first.
        """
        rows = self.known.values()
        return next(filter(comes, rows), None) or next(iter(rows), ())

    def forget(self) -> None:
        """Surfaces and edges are made anew from the looks."""
        self.surfaces.clear()
        self.stepped.clear()
        self.edges.clear()


def _samples(figures: int) -> int:
    """How many points are looked at before any proposal, where so many figures decide."""
    return _SAMPLES[figures] if figures < len(_SAMPLES) else _MOST_SAMPLES


class TooDear(Exception):
    """One look at an observation takes more work than any may: it is to be left out."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


class Mistaken(Exception):
    """A figure decides an observation that it seemed not to decide: the search begins anew."""


class Looking:
    """One combination of answers with every exact look at it, and surfaces through them.

    `x` holds the share of the way (0..1) of each unknown, then of each range that belongs to one
    observation alone.
    """

    def __init__(
        self, log: BenchLog, combination: tuple[int, ...], *, seed: int, most: int,
        lent: Mapping[int, Lent] | None = None, most_work: float = math.inf,
    ) -> None:
        """`lent`: looks of other combinations, by the number of the observation. `most` runs and
        `most_work` units of work may be made; observations of which the first looks would take more
        than that are not looked at, the dearest first: see `left_out`. No look may take more than
        `MOST_EACH`.
        """
        self.log, self.combination = log, combination
        self.seed, self.most = seed, most
        self.runs = 0
        self.most_work, self.work = most_work, Work()
        self.left_out: tuple[int, ...] = ()
        self.too_dear: set[str] = set()  # figures that, changed, made a look take too much work
        self.lent = {} if lent is None else lent
        self.noted: Looks | None = None  # where looks are lent
        self.world = World(log.gadgets[combination])
        self.figures = len(log.unknowns)
        self.locals = [
            (n, name) for n, one in enumerate(log.observations) for name in one.local
        ]
        self.size = self.figures + len(self.locals)
        self.all = tuple(range(len(log.observations)))
        self.trials: list[Trial] = []
        self._trial_at: dict[bytes, int] = {}  # its number among the trials
        self.sights = [Sight(dims=[]) for _ in self.all]
        self.wide: set[int] = set()  # observations that all figures decide
        self._ready: set[int] = set()  # those of which enough points were looked at
        self.error = 0.0  # how far surfaces were off where runs were made last
        self._cloud = low_discrepancy(self.size, _CLOUD, seed + 1)

    # -- exact looks -----------------------------------------------------------------------------

    @property
    def spent(self) -> bool:
        """Whether the runs that were allowed are used up, or the work."""
        return self.runs >= self.most or self.work.units >= self.most_work

    def values(self, x: Sequence[float] | Array) -> dict[str, float]:
        """The figures at a point."""
        return {one.key: one.at(float(x[n])) for n, one in enumerate(self.log.unknowns)}

    def _own(self, number: int) -> list[int]:
        return [self.figures + k for k, (n, _) in enumerate(self.locals) if n == number]

    def _run(
        self, number: int, x: Sequence[float] | Array, values: dict[str, float] | None = None,
        met: set[tuple[str, str]] | None = None,
    ) -> tuple[Margin, ...]:
        """An exact look at one observation; raises TooDear."""
        self.runs += 1
        seen = self.log.observations[number]
        local = {
            name: float(x[self.figures + k]) for k, (n, name) in enumerate(self.locals)
            if n == number
        }
        values = self.values(x) if values is None else values
        prepared = self.world.prepared(self.world.supplied(values) if seen.supply else values)
        work = Work(most=MOST_EACH)
        try:
            return observe(prepared, seen, local, near=self.sights[number].near, met=met, work=work)
        except TooMany:
            raise TooDear(number) from None
        finally:
            self.work.units += work.units

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
                found = lost(sight.like)
            sight.known[key] = found
            sight.forget()
        return found

    def _at(self, number: int, point: Array) -> tuple[Margin, ...]:
        """A look where the numbers that decide an observation are those of `point`."""
        x = np.full(self.size, 0.5)
        x[self.sights[number].dims] = point
        return self.look(number, x)

    def _first_run(self, number: int, point: list[float]) -> tuple[Margin, ...]:
        """A look of another combination that holds here too, or an exact one."""
        made = self.sights[number].near, tuple(point)
        found = self.lent[number].find(*made) if number in self.lent else None
        if found is None:
            met: set[tuple[str, str]] = set()
            found = self._run(number, point, met=met)
            if self.noted is not None:
                self.noted[made] = Look(found, frozenset(met))
        return found

    def trial(
        self, x: Array, subset: Sequence[int] | None = None, *, until: float = math.inf
    ) -> Trial:
        """An exact look at some observations, or all, in their order; it ends with the first that
        is more than `until` off.
        """
        x = np.clip(x, 0.0, 1.0)
        place = self._trial_at.get(x.tobytes())
        offs = [math.inf] * len(self.sights) if place is None else list(self.trials[place].offs)
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
        """An exact look with more figures changed; None where that makes no gadget, or takes too
        much work: a figure that alone does so is in `too_dear`.
        """
        try:
            return self._run(number, x, {**self.values(x), **figures})
        except TooDear:
            if len(figures) == 1:
                self.too_dear |= set(figures)
            return None
        except (SimfwError, ValueError):
            return None

    # -- what decides what -----------------------------------------------------------------------

    def lend(self, number: int) -> Looks:
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
            works = self._rehearse(numbers)
            if sum(self._cost(n, works[n]) * (self._probes + _samples(self.size))
                   for n in numbers) > self._first:
                self._begin_cheap(works)
        for n in numbers:
            if n not in self._ready and n not in self.left_out:
                self.sights[n] = self._sight(n)
                self._look_first(n)

    def _look_first(self, number: int) -> None:
        self._sample(number)
        self.sights[number].sampled = len(self.sights[number].known)
        self._ready.add(number)

    @property
    def _first(self) -> float:
        """Units of work that are left for the looks before any proposal."""
        return _FIRST * self.most_work - self.work.units

    def _begin_cheap(self, works: Mapping[int, int]) -> None:
        """Begin with what costs least; what more than the work would do for is left out."""
        for n in sorted(works, key=lambda n: (works[n], n)):
            cost = self._cost(n, works[n])
            if cost * self._probes <= self._first:
                self.sights[n] = self._sight(n)
                if cost * _samples(len(self.sights[n].dims)) <= self._first:
                    self._look_first(n)
                    continue
            self.leave_out(n)

    @property
    def _probes(self) -> int:
        """About how many looks tell which figures decide an observation."""
        return _PROBES * (self.figures + 1)

    def _cost(self, number: int, work: int) -> float:
        """Units of work of one of the first looks, of which what is lent costs nothing."""
        lent, anew = self.lent.get(number), 1.0
        if lent is not None and lent.looks:
            met = sum(bool(look.met & lent.apart) for look in lent.looks.values())
            anew = met / len(lent.looks)
        return anew * work

    def _rehearse(self, numbers: Sequence[int]) -> dict[int, int]:
        """Look once with the gadget as its file says; how much work each look was."""
        works = {}
        for n in numbers:
            self.runs += 1
            work = Work(most=MOST_EACH)
            with suppress(EndlessInstant):
                try:
                    observe(self.world.rehearsed(), self.log.observations[n], {}, work=work)
                except TooMany:
                    raise TooDear(n) from None
                finally:
                    self.work.units += work.units
            works[n] = work.units
        return works

    def leave_out(self, number: int) -> None:
        """An observation is not looked at any more."""
        self.left_out = tuple(sorted({*self.left_out, number}))
        self.all = tuple(n for n in self.all if n != number)
        self.sights[number] = Sight(dims=[])
        self._ready.discard(number)

    def take_up(self, sights: list[Sight], x: Array) -> None:
        """Go on with what another looked at, of the same combination, and from a point of it."""
        self._rehearse(self.all)
        self.sights, self._ready = sights, set(self.all)
        self.trial(x)

    def _sight(self, number: int) -> Sight:
        own = self._own(number)
        figures = list(range(self.figures))
        if number in self.wide:
            return Sight(dims=figures + own)
        sight = Sight(dims=figures + own)
        self.sights[number] = sight
        bases = low_discrepancy(self.size, 2 * _PROBES, self.seed + 7 * number)
        pairs = list(zip(bases[:_PROBES], bases[_PROBES:], strict=False))
        decide: set[int] = set()
        self._probe(number, pairs, decide)
        if len(decide) < self.figures:
            # Where nothing is to be seen a figure seems not to matter: it is asked about where
            # something is, too.
            shown = sum(seen(self.look(number, base)) for base, _ in pairs)
            if shown < _PROBES:
                last = bases[-1]
                others = chain([(last, bases[0])], (
                    (x, last) for x in (*bases[_PROBES:-1], *self._farther(number))))
                found_at = (pair for pair in others if seen(self.look(number, pair[0])))
                self._probe(number, islice(found_at, _PROBES - shown), decide)
        dims = sorted(decide) + own
        found = Sight(dims=dims)
        for key, margins in sight.known.items():
            point = dict(zip(sight.dims, key, strict=True))
            found.known[tuple(point[k] for k in dims)] = margins
        return found

    def _probe(
        self, number: int, pairs: Iterable[tuple[Array, Array]], decide: set[int]
    ) -> None:
        """Add to `decide` the figures of which a change, from a point to another, shows."""
        for base, other in pairs:
            before = self.look(number, base)
            for k in range(self.figures):
                if k not in decide:
                    moved = base.copy()
                    moved[k] = other[k]
                    if differ(before, self.look(number, moved)):
                        decide.add(k)

    def _farther(self, number: int) -> Array:
        """More points at which to look for an observation: corners, and points between."""
        dims = [*range(self.figures), *self._own(number)]
        points = low_discrepancy(self.size, 2 * _MOST_CORNERS, self.seed + 5 * number)
        count = min(_MOST_CORNERS, 1 << len(dims))
        # All corners where they are few, else some in which nearly any two figures take all four
        # ways.
        for n in range(count):
            mask = n if count == 1 << len(dims) else int(points[n, 0] * (1 << len(dims)))
            points[n, dims] = [float(mask >> k & 1) for k in range(len(dims))]
        return points

    def _sample(self, number: int) -> None:
        sight = self.sights[number]
        d = len(sight.dims)
        count = _samples(d)
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
        for point in points:
            self._at(number, point)

    # -- surfaces --------------------------------------------------------------------------------

    def _fitted(self, number: int, *, close: bool = False) -> Sight:
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
        return sight

    def surfaces_of(self, number: int) -> list[Surface]:
        """The surfaces of an observation through looks that are not far off, one each margin."""
        return self._fitted(number, close=True).surfaces[True]

    def edge(self, number: int) -> Edge | None:
        """Where what an observation looks for comes for some figures, and for some never."""
        return self._edge(number, None) if self._parted(number) else None

    def _parted(self, number: int) -> bool:
        """Whether what an observation looks for came in some looks, and in some not."""
        sight = self.sights[number]
        return bool(sight.dims) and len(set(map(comes, sight.known.values()))) > 1

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
            dims = np.array(sight.dims, dtype=int)
            if beyond is not None and (edge := self.edge(n)) is not None:
                found.append(Constraint(edge, dims, -beyond, math.inf, INSIDE))
            for surface, margin in zip(sight.surfaces[close], sight.like, strict=True):
                if firm or not margin.firm:
                    found.append(Constraint(surface, dims, *ends_of(margin)))
        return found
