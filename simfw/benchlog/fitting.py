"""Which observations figures fit at once: exact runs where a smooth surface points.

A combination fits because a run fits; it is excluded only where the least that exact runs are off,
from several starts, is more than `SURE` tolerances, and where the surfaces agree with the runs
there; else it is open.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.constraint import Constraint, offs_of
from simfw.benchlog.edge import towards
from simfw.benchlog.jumping import Slope, between_looks, foretold, polished, slope_of
from simfw.benchlog.looking import FAR_OFF, INSIDE, MET, STARTS, Looking, Step
from simfw.benchlog.looks import (
    Trial,
    close_looks,
    ends_of,
    low_discrepancy,
    seen_of,
    smooth,
    step_of,
    worst_of,
)
from simfw.benchlog.margin import FAR, comes
from simfw.benchlog.surface import Lifted, Surface, squares

__all__ = ["FITS", "SURE", "Fitting", "State", "holders"]

Array = NDArray[np.float64]

FITS = 1.0 + 1e-9
SURE = 1.05
"""Off by more tolerances than this, at the least, counts as a contradiction."""

State = Literal["fits", "excluded", "open"]

_ROUNDS = 9  # of proposals and looks at them
_TRIES = 4
_TENTH = 0.1  # of what would let it fit: surfaces that are wrong by less agree with the runs
_HALVINGS = 6  # looks on the way from a step to what is not on it
_ASTRAY = 1e-4  # of the way: what lies further out than this has left its step
_LOW = 0.25  # tolerances: lower steps are part of a surface
_WAYS = 10  # steps of several observations that are gone on with, of each its best start
_ALL_WAYS = 100  # the same before anything is excluded: those less likely are not tried
_TEETH = 256  # looks at most at an observation that jumps, one for each tolerance of its slope
_LED = 8  # of which so many are led on
_CORNERED = 3  # figures of which all corners are looked at
_ABOUT = 8  # looks between
_HOLDS = 0.7  # of what is worst: what is less off by the surfaces does not hold a point
_NOT_THERE = 1e6  # tolerances


@dataclass(frozen=True, slots=True)
class _Way:
    """A proposal: how far off the worst is `told` to be at `x`, by what each observation `asked`.

    Where observations go in steps: on which ones, and those that have `left` theirs.
    """

    told: float
    x: Array
    asked: Mapping[int, Sequence[Constraint]]
    steps: Mapping[int, Step] = field(default_factory=dict)
    left: tuple[int, ...] = ()

    def offs(self, x: Array) -> dict[int, float]:
        """How far off each observation is at a point by the surfaces, but for edges."""
        return {n: _off_by(each, x) for n, each in self.asked.items()}

    def order(self) -> tuple[bool, float]:
        """Nearest first, and last what has left its steps."""
        return bool(self.left), self.told


class Fitting(Looking):
    """What fits some observations, and what nothing fits."""

    # -- fitting ---------------------------------------------------------------------------------

    def best(self, subset: Sequence[int]) -> Trial | None:
        """Of the exact looks so far the one in which the worst of `subset` is least off."""
        return min(self.trials, key=lambda one: self._worst(one, subset), default=None)

    def fitted(self, subset: Sequence[int]) -> bool:
        """Whether a run so far fits some observations."""
        best = self.best(subset)
        return best is not None and worst_of(best, subset) <= FITS

    def _worst(self, one: Trial, subset: Sequence[int]) -> float:
        """How far the worst of some observations is off; what came in other looks and did not in
        this one is further off than any that came.
        """
        worst = worst_of(one, subset)
        return worst + _NOT_THERE if FAR <= worst < math.inf and self._lost(one, subset) else worst

    def least(self, subset: Sequence[int]) -> tuple[State, Trial]:
        """Whether figures fit all of `subset`, with the exact look that is least off."""
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
                proposals = self._proposals(
                    subset, stepped, best, close=close, count=1 if round_ else STARTS)
                for place, way in enumerate(proposals):
                    # Where what holds it is further off than elsewhere, the others tell no more.
                    one = self.tried(way.x, way.offs(way.x), self._worst(best, subset))
                    if place == 0:  # what lies further off by the surfaces excludes nothing
                        one, told = self._on_its_steps(way, one, subset, best)
                        worst = seen_of(one.offs, subset)
                        apart = abs(min(worst, FAR_OFF) - min(told, FAR_OFF))
                        agreed = agreed + 1 if worst > SURE and apart <= _much(worst) else 0
                    for _ in range(2):
                        if self._worst(one, subset) < self._worst(best, subset) - 1e-6:
                            best, gained = one, True
                        if worst_of(one, subset) <= FITS:
                            return "fits", one
                        one = self._inside(one, subset)
            if self.spent or (agreed >= 2 and not gained):
                break
        # Where something is lost, no surface tells where it comes.
        sure = worst_of(best, subset) > SURE and agreed >= 1 and not self._lost(best, subset)
        if sure and stepped:
            sure, best = self._steps_hold(subset, stepped, best)
            if worst_of(best, subset) <= FITS:
                return "fits", best
        if sure:
            sure, best = self._edges_hold(best, subset)
            if worst_of(best, subset) <= FITS:
                return "fits", best
        jumping = [n for n in subset if self.jumps(n)] if sure else []
        if not jumping:
            return ("excluded" if sure else "open"), best
        return self._combed(subset, jumping)

    def _proposals(
        self, subset: Sequence[int], stepped: Sequence[int], best: Trial, *, close: bool, count: int
    ) -> list[_Way]:
        """Where the surfaces say that the worst is least off, nearest first."""
        from simfw.benchlog.solving import nearest_fit

        asked = {n: self._constraints([n], close=close) for n in subset}
        constraints = [one for each in asked.values() for one in each]
        starts = [best.x, *self._starts(constraints, STARTS)]
        found = [
            _Way(told, x, asked)
            for told, x in nearest_fit(constraints, starts, self.size)[: 1 if stepped else count]
        ]
        if not stepped:
            return found
        return [*self._on_steps(subset, stepped, best, close=close)[: 1 + count], *found]

    def tried(self, x: Array, told: Mapping[int, float], until: float) -> Trial:
        """An exact look at what surfaces propose, of which they have `told` how far each is off.

        Where one of the observations that hold it by the surfaces is more than `until` off, these
        are enough: the surfaces learn of them. Of the others, one that is is enough. What the
        surfaces say is worst, and what they were wrong about before, comes first.
        """
        holds = holders(told)
        one = self.trial(x, holds)
        if worst_of(one, holds) <= until:
            order = sorted(told, key=lambda n: (-told[n] - self.sights[n].missed, n))
            one = self.trial(x, order, until=until)
        return one

    def told(
        self, subset: Sequence[int], x: Array, *, close: bool, firm: bool = True
    ) -> dict[int, float]:
        """How far off each of `subset` is at a point by its surfaces."""
        return {
            n: _off_by(self._constraints([n], close=close, firm=firm, beyond=None), x)
            for n in subset
        }

    def parts_exclude(self, best: Trial) -> bool:
        """Whether nothing fits a part of all: an observation that does not fit where the whole is
        least off, or what came there. What a part excludes, excludes the whole.
        """
        if len(self.all) < 2:
            return False
        came = tuple(n for n in self.all if not self._lost(best, [n]))
        parts: list[tuple[int, ...]] = [(n,) for n in self.all if best.offs[n] > SURE]
        if 1 < len(came) < len(self.all):
            parts.append(came)
        return any(not self.spent and self.least(part)[0] == "excluded" for part in parts)

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
        most: int = _WAYS, starts: int = 1,
    ) -> list[_Way]:
        """Proposals where each observation stays on one step, from the best starts on each way;
        nearest first, and last those that leave their steps.
        """
        from simfw.benchlog.solving import nearest_fit

        calm = {n: self._constraints([n], close=close) for n in subset if n not in stepped}
        xs = np.vstack([best.x, *self._on_each(stepped, best), self._cloud])
        offs = offs_of([one for some in calm.values() for one in some], xs)
        ways = np.zeros((len(xs), len(stepped)), dtype=int)
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
        begun: dict[tuple[int, ...], list[int]] = {}
        for start in [0, *np.argsort(offs, kind="stable")]:
            way = tuple(map(int, ways[start]))
            if way in begun:
                begun[way] += [int(start)] if len(begun[way]) < starts else []
            elif len(begun) < most:
                begun[way] = [int(start)]
        found = []
        for way, some in begun.items():
            taken = {n: steps[place][way[place]] for place, n in enumerate(stepped)}
            asked = calm | {
                n: self._on_step(n, step, close=close) for n, step in taken.items()}
            constraints = [one for each in asked.values() for one in each]
            tried = []
            for start in some:
                told, x = nearest_fit(constraints, [xs[start]], self.size)[0]
                left = tuple(
                    n for n in taken
                    if self._edge(n, taken[n]).at(x[self.sights[n].dims])[0] < -_ASTRAY)
                tried.append(_Way(told, x, asked, taken, left))
                if not left:
                    break
            found.append(min(tried, key=_Way.order))
        return sorted(found, key=_Way.order)

    def _on_each(self, stepped: Sequence[int], best: Trial) -> list[Array]:
        """A point on each step of observations, where that is least off: few looks may be on it."""
        found: dict[tuple[int, Step], tuple[float, Array]] = {}
        for n in stepped:
            for key, row in self.sights[n].known.items():
                step, off = step_of(row), max(one.off for one in row)
                if step is not None and off < found.get((n, step), (math.inf,))[0]:
                    x = best.x.copy()
                    x[self.sights[n].dims] = key
                    found[n, step] = off, x
        return [x for _, x in found.values()]

    def _on_its_steps(
        self, way: _Way, one: Trial, subset: Sequence[int], best: Trial
    ) -> tuple[Trial, float]:
        """A look at a proposal where what holds it is on its steps, and how far off the surfaces
        say that it is there: what is nearest often lies on the edge of a step, or just beyond.
        """
        x, offs = one.x, way.offs(one.x)
        for n in holders(offs):
            step = way.steps.get(n)
            if step is None or self.spent or step_of(self.look(n, x)) in (step, None):
                continue
            dims = self.sights[n].dims
            keys = np.array(
                [key for key, row in self.sights[n].known.items() if step_of(row) == step])
            outside = x[dims]
            inside = keys[int(np.argmin(((keys - outside) ** 2).sum(axis=1)))]
            for _ in range(_HALVINGS):
                middle = 0.5 * (inside + outside)
                if step_of(self._at(n, middle)) == step:
                    inside = middle
                else:
                    outside = middle
            x = x.copy()
            x[dims] = inside
        if x is one.x:
            return one, way.told
        offs = way.offs(x)
        return self.tried(x, offs, self._worst(best, subset)), max(offs.values())

    def mended(self, one: Trial, subset: Sequence[int]) -> Trial:
        """A look beside one at which only observations that go in steps do not fit: where their
        own ranges, which move no other observation, let them fit by the surfaces of their steps.
        """
        off = [n for n in subset if FITS < one.offs[n] < math.inf]
        if not all(self._own(n) and self._steps(n) for n in off):
            return one
        x = one.x.copy()
        for n in off:
            own, sight = self._own(n), self.sights[n]
            xs = np.repeat(x[None, :], len(self._cloud), axis=0)
            xs[:, own] = self._cloud[:, own]
            least = np.min([offs_of(self._on_step(n, step, close=True), xs)
                            for step in self._steps(n)], axis=0)
            place = int(np.argmin(least))
            if least[place] > 1.0 or max(
                margin.off for margin in self._at(n, xs[place][sight.dims])
            ) > FITS:
                return one
            x = xs[place]
        return self.trial(x, subset, until=FITS)

    def _steps_hold(
        self, subset: Sequence[int], stepped: Sequence[int], best: Trial
    ) -> tuple[bool, Trial]:
        """Whether on none of the steps that are likeliest to fall together the surfaces let it fit,
        and the least that is off.

        A way that leads off its steps lets nothing fit once a look beside its end is on another.
        """
        for _ in range(_TRIES):
            likely = [
                one for one in self._on_steps(
                    subset, stepped, best, close=True, most=_ALL_WAYS, starts=STARTS)
                if one.told <= SURE and not any(
                    self._off_step(n, one.steps[n], one.x) for n in one.left)
            ]
            if not likely:
                return True, best
            if self.spent or not all(one.left for one in likely):
                break
            for one in likely:
                for n in one.left:
                    self.look(n, one.x)
        return False, best

    def _off_step(self, number: int, step: Step, x: Array) -> bool:
        """Whether a look at an observation that is not on a step is close to a point."""
        sight = self.sights[number]
        others = np.array([key for key, row in sight.known.items() if step_of(row) != step])
        return bool(np.sqrt(((others - x[sight.dims]) ** 2).sum(axis=1)).min() <= MET)

    def _on_step(self, number: int, step: Step, *, close: bool) -> list[Constraint]:
        """What an observation asks by surfaces through the looks on one step, and its edge."""
        sight = self._fitted(number, close=close)
        if (close, step) not in sight.stepped:
            sight.stepped[close, step] = self._step_surfaces(number, step, close=close)
        dims = np.array(sight.dims, dtype=int)
        return [Constraint(self._edge(number, step), dims, 0.0, math.inf, INSIDE),
                *(Constraint(one, dims, *ends_of(margin))
                  for one, margin in zip(sight.stepped[close, step], sight.like, strict=True))]

    def _step_surfaces(self, number: int, step: Step, *, close: bool) -> list[Surface]:
        """Surfaces through the looks on one step: where these are too few to tell how it slopes,
        as on the step with most looks, lifted.
        """
        sight = self.sights[number]
        known = [one for one in sight.known.items() if step_of(one[1]) == step]
        counts = Counter(
            one for row in sight.known.values() if (one := step_of(row)) is not None)
        fullest = max(counts, key=lambda one: counts[one])
        if len(known) < min(len(sight.dims) + 2, counts[fullest]):
            self._on_step(number, fullest, close=close)
            keys = np.array([key for key, _ in known], dtype=float)
            return [
                Lifted(one, float(np.mean(
                    [smooth(row[k]) for _, row in known] - one.many(keys))))
                for k, one in enumerate(sight.stepped[close, fullest])
            ]
        if close:
            known = close_looks(known, len(sight.dims), len(known))
        keys = np.array([key for key, _ in known], dtype=float)
        return [Surface(keys, np.array([smooth(row[k]) for _, row in known]))
                for k in range(len(sight.like))]

    # -- what never comes ------------------------------------------------------------------------

    def _inside(self, one: Trial, subset: Sequence[int], origin: Trial | None = None) -> Trial:
        """Where something did not come in a look, and does in others: the last look at which it
        does, on the way there from the nearest at which it did (or from `origin`).
        """
        for n in subset:
            if self.spent or not self._lost(one, [n]):
                continue
            sight = self.sights[n]
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
        edged = [n for n in subset if self._parted(n)]
        if not edged:
            return True, best
        self._look_about(edged, [n for n in subset if n not in edged])
        for _ in range(_TRIES):
            told = True  # whether all is near a look at which it never came
            for n, close in product(edged, (False, True)):
                found = self._likeliest(n, subset, best, close=close)
                if found is None:
                    continue
                told &= self._never_beside(n, found)
                one = self._inside(self.trial(found, subset), subset)
                best = min(best, one, key=lambda look: self._worst(look, subset))
                if worst_of(best, subset) <= SURE or self.spent:
                    return False, best
            if told:
                return True, best
        return False, best

    def _look_about(self, edged: Sequence[int], calm: Sequence[int]) -> None:
        """Look in corners, and between, where all else fits: an edge may lie elsewhere than the
        looks so far tell.
        """
        from simfw.benchlog.solving import nearest_fit

        others = self._constraints(calm, close=True)
        corners = np.array(list(product((0.0, 1.0), repeat=min(self.size, _CORNERED))))
        starts = np.full((len(corners), self.size), 0.5)
        starts[:, : corners.shape[1]] = corners
        for start in (*starts, *self._cloud[:_ABOUT]):
            if self.spent:
                return
            self.trial(nearest_fit(others, [start], self.size)[0][1] if others else start, edged)

    def _likeliest(
        self, number: int, subset: Sequence[int], best: Trial, *, close: bool
    ) -> Array | None:
        """Of all that the surfaces let fit, where an observation is likeliest to come."""
        from simfw.benchlog.solving import extreme

        constraints = self._constraints(subset, close=close, beyond=None)
        starts = [best.x, *self._starts(constraints, STARTS)]
        return extreme(constraints, self._within(number), starts, SURE)

    def _never_beside(self, number: int, x: Array) -> bool:
        """Whether a look at which an observation never came is close to a point."""
        sight = self.sights[number]
        never = np.array([key for key, row in sight.known.items() if not comes(row)])
        return bool(np.sqrt(((never - x[sight.dims]) ** 2).sum(axis=1)).min() <= MET)

    def _within(self, number: int) -> Callable[[Array], tuple[float, Array]]:
        """How far inside of the edge of an observation a point lies, with its gradient."""
        dims, edge = self.sights[number].dims, self._edge(number, None)

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

    def _lost(self, one: Trial, subset: Sequence[int]) -> bool:
        """Whether something of `subset` did not come in a look, and does in others."""
        return any(one.offs[n] < math.inf and not comes(self.look(n, one.x)) and self._parted(n)
                   for n in subset)

    def _starts(self, constraints: Sequence[Constraint], count: int) -> list[Array]:
        """Points at which the surfaces are least off."""
        offs = offs_of(constraints, self._cloud, again=True)
        return [self._cloud[n] for n in np.argsort(offs, kind="stable")[:count]]


def holders(told: Mapping[int, float]) -> list[int]:
    """Those that hold a point: what is worst there by the surfaces, and what is nearly so."""
    most = max(told.values(), default=0.0)
    return [n for n, off in told.items() if off >= _HOLDS * most]


def _off_by(constraints: Sequence[Constraint], x: Array) -> float:
    """How far off a point is by some conditions, but for edges."""
    return max((one.off(one.surface.at(x[one.dims])[0]) for one in constraints
                if isinstance(one.surface, Surface)), default=0.0)


def _much(worst: float) -> float:
    """By how much surfaces may be wrong about what is `worst` off, and agree with it."""
    return max(0.02 * max(1.0, worst), _TENTH * (worst - 1.0))
