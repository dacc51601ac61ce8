"""One combination of answers against what was seen, with the ends of what fits.

What is told rests on exact runs. An end of an interval is what a run that fits everything reaches;
what is printed lies further out by how well the surfaces told the runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.constraint import offs_of
from simfw.benchlog.fitting import FITS, SURE, Fitting, State, holders
from simfw.benchlog.looking import FAR_OFF, MET, STARTS, Mistaken
from simfw.benchlog.looks import Aim, End, Trial, near, seen_of, smooth, worst_of

__all__ = ["FITS", "SURE", "Aim", "End", "Mistaken", "Rival", "State", "Trial"]

Array = NDArray[np.float64]

_ROUNDS = 9  # of proposals and looks at them
_ROUNDS_ASIDE = 2  # for what a reading could be: no figure rests on it
_NEAR = 5e-4  # of the way between two ends: steps smaller than this are no gain
_GOOD = 0.02  # tolerances by which a surface through all looks may be off and be believed
_LOOSE = 2e-3  # of the way: an outer end further out than this is looked at
_LOOKS_OUT = 2  # so often
_TRUST = 0.25  # of what the surfaces were off by elsewhere is kept where they are off by less
_ROUGH = 0.25  # and by which an end that does not matter may be
_OUTWARD = 1e-3  # tolerances by which what is printed lies outside at the least
_SCAN = 32  # steps to the end of a range
_NEARLY = 0.5  # tolerances: what lies between the points of the cloud may fit
_BACK = 0.1  # by how much less may be off where what is looked for did not come
_LOST = 1.0  # tolerances by which surfaces may be off beside an edge that is not known well


class Rival(Fitting):
    """One combination of answers with all it knows."""

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
        most = math.inf if aim.share is None else float(sign > 0)
        for _ in range(_ROUNDS if aim.sight is None else _ROUNDS_ASIDE):
            if reach(best) >= most:  # no figure lies further than the end of its range
                return End(reached=sign * reach(best), outer=sign * reach(best), trial=best)
            if self.spent:
                break
            before = reach(best)
            worst, beyond = 0.0, False
            latest: Trial | None = None
            for close in (False, True):
                found = self._extreme(aim, sign, subset, best, 1.0 - slack, close=close)
                if found is None:
                    continue
                told = self.told(subset, found, close=close)
                # Where both surfaces lead to one point, one look tells it.
                one = latest = latest if latest is not None and near(latest.x, found) else (
                    self._tried(found, told))
                if self._lost(one, subset):
                    one = self._inside(one, subset, best)
                    worst, beyond = max(worst, _BACK), True
                    if worst_of(one, subset) <= FITS and reach(one) > reach(best):
                        best = one
                    continue
                exact = seen_of(one.offs, subset)
                if exact > FITS:
                    other = self.mended(one, subset)
                    if worst_of(other, subset) <= FITS:  # what was not looked at before is seen now
                        one, exact = other, worst_of(other, subset)
                errors[close] = abs(exact - max(
                    (told[n] for n in subset if one.offs[n] < math.inf), default=0.0))
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
        outer, points = math.inf, dict[bool, Array]()
        if aim.sight is None:  # how far beyond its looks a reading may lie nobody asks
            outer, points = self._outer(aim, sign, calm, best, errors)
        for _ in range(_LOOKS_OUT):
            if aim.share is None or self.spent or outer - reach(best) <= _LOOSE:
                break
            for close, x in points.items():
                # How far the surfaces are off where they would let the end lie.
                holds, most = self._holding(calm, x, close=close, firm=False)
                one = self._tried(x, self.told(subset, x, close=close))
                if self._lost(one, subset):
                    self._inside(one, subset, best)
                    continue
                error = abs(min(self._smooth_off(holds, x), FAR_OFF) - min(most, FAR_OFF))
                errors[close] = max(error, _TRUST * errors[close])
            for x in points.values():
                one = self._tried(x, self.told(subset, x, close=True))
                if worst_of(one, subset) <= FITS and reach(one) > reach(best):
                    best = one
            outer, points = self._outer(aim, sign, calm, best, errors)
        for n in jumping:  # no surface tells its end
            outer = min(outer, self._last_tooth(n, aim, sign))
        return End(reached=sign * reach(best), outer=sign * max(outer, reach(best)), trial=best)

    def _tried(self, x: Array, told: Mapping[int, float]) -> Trial:
        """An exact look at what may be the last point that fits observations, as `tried` has it;
        how far the surfaces were off is kept.
        """
        one = self.tried(x, told, FITS)
        for n in told:
            if one.offs[n] < math.inf:
                self.sights[n].missed = abs(min(one.offs[n], FAR_OFF) - min(told[n], FAR_OFF))
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

    def _holding(
        self, subset: Sequence[int], x: Array, *, close: bool, firm: bool = True
    ) -> tuple[list[int], float]:
        """Those that hold an end at a point by the surfaces, and how far the worst of them is off.

        Of the others an exact look could only say that they hold more than the surfaces say.
        """
        told = self.told(subset, x, close=close, firm=firm)
        return holders(told), max(told.values(), default=0.0)

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
        offs = offs_of(constraints, self._cloud, again=True)
        near = self._cloud[offs <= max(allow, 1.0) + 0.2]
        far = np.argsort(-self._goals(aim, sign, near, close=close), kind="stable")[:STARTS]
        return extreme(constraints, goal, [best.x, *near[far]], allow)

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
                aim, sign, subset, best, allow, close=close, firm=False, beyond=MET)
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

    def _goals(self, aim: Aim, sign: int, xs: Array, *, close: bool) -> Array:
        """What `_goal` says of many points (m x d), to be ranked by it."""
        if aim.sight is None:
            return np.array([sign * self._figured(aim, x)[0] for x in xs])
        sight = self._fitted(aim.sight[0], close=close)
        return sign * sight.surfaces[close][aim.sight[1]].many(xs[:, sight.dims])

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
