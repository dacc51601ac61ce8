"""Figures that a gadget file takes as known: what rests on its guesses, and, where nothing fits,
which of them alone, at another value, would let everything fit.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.constraint import Constraint
from simfw.benchlog.looking import FAR_OFF
from simfw.benchlog.looks import Trial
from simfw.benchlog.margin import FAR, Margin
from simfw.benchlog.narrowed import Guessed, Suspect, Suspects
from simfw.benchlog.search import FITS, Rival
from simfw.benchlog.surface import Surface
from simfw.gadget.dimensions import dimension_of
from simfw.gadget.figures import Entry, entries, guesses
from simfw.gadget.quantities import nominal
from simfw.quantity import Timing

__all__ = ["MOST_LOOKS", "rests_on", "suspects"]

Array = NDArray[np.float64]

MOST_LOOKS = 300
"""Exact runs of observations that may be made to find what a gadget file has wrong."""

_MOST_GUESSES = 40
_UNMOVED = 1e-5  # tolerances: less than that is rounding
_TOLD = 0.05  # tolerances: what a guess moves less is not told
_TENTH = 1.1  # times a guess: a tenth more of it
_LITTLE = 1.02  # times a figure, or by as much less, to see what that moves
_MUCH = 4.0  # the same where a little moves nothing
_APART = 0.5  # of what a factor adds: so much more for each further figure of a part
_FARTHEST = math.log(10.0)  # a figure is looked for up to tenfold, either way
# Tolerances: so far off may be what surfaces say, for an exact run to fit, try by try.
_INSIDE = (0.9, 0.9, 0.8, 0.7, 0.5, 0.3)
_DIGITS = 3  # of a value that is told
_SURER = {"guess": 0, "published": 2, "measured": 2}  # other origins: 1


def rests_on(rival: Rival, best: Trial) -> tuple[Guessed, ...]:
    """What a tenth more of each guess moves, where a run fits everything."""
    unknown = {one.key for one in rival.log.unknowns}
    some = [one for one in guesses(rival.world.gadget)[:_MOST_GUESSES] if one.key not in unknown]
    found = [one for one in _moved(rival, rival.all, best.x, some, _TENTH) if one[1]]
    # What moves most comes first; of equals, what moves the earlier observation.
    found.sort(key=lambda one: (-max(one[1].values()), min(one[1])))
    worst = [(key, max(moves, key=moves.__getitem__), max(moves.values())) for key, moves in found]
    return tuple(
        Guessed(key=key, moves=by, observation=rival.log.observations[n].name)
        for key, n, by in worst if by >= _TOLD)


def _moved(
    rival: Rival, numbers: Sequence[int], x: Array, some: Sequence[Entry], factor: float
) -> Iterator[tuple[str, dict[int, float]]]:
    """How far (tolerances) each of some figures, multiplied alone, moves observations; only those
    that are moved, and nothing of what makes no gadget.
    """
    parts: dict[str, dict[str, float]] = {}
    for one in some:
        if value := nominal(one.figure):
            parts.setdefault(_part_of(one.key), {})[one.key] = value
    before = {n: rival.look(n, x) for n in numbers}

    def moves(figures: Mapping[str, float], some: Sequence[int]) -> dict[int, float]:
        # All observations of one gadget in turn: they share what is tabulated of it.
        rows = {n: rival.moved(n, figures, x) for n in some}
        return {n: _moves(before[n], row) for n, row in rows.items() if row is not None}

    for part in parts.values():
        # What all figures of a part do not move together, none of them does; each by another
        # factor, for some take back what others do (twice the leakage of twice the capacity): a
        # round one, so that times which come round together still do.
        # Of much more than a little that is not so: an empty cell is as empty with another one.
        together = moves({
            key: value * (1.0 + (factor - 1.0) * (1.0 + _APART * k))
            for k, (key, value) in enumerate(part.items())
        }, numbers) if len(part) > 1 and 1.0 <= factor <= _TENTH else {}
        asked = [n for n in numbers if together.get(n, _UNMOVED) >= _UNMOVED]
        for key, value in part.items():
            yield key, {n: by for n, by in moves({key: value * factor}, asked).items()
                        if by >= _UNMOVED}


def _part_of(key: str) -> str:
    """The part of the gadget that a figure is of: a light, the cell, one region."""
    words = re.split(r"[.\[]", key)
    return ".".join(words[:1] if words[0] in ("cell", "charger", "gauge") else words[:2])


def _moves(before: tuple[Margin, ...], after: tuple[Margin, ...]) -> float:
    """How far a look lies from another, in tolerances."""
    return max((
        abs(b.off - a.off) if a.firm
        else (abs(a.aside(b.z) - a.aside(a.z)) if math.isfinite(b.z) else FAR)
        for a, b in zip(before, after, strict=True)
    ), default=0.0)


# -- where nothing fits ------------------------------------------------------------------------


def suspects(rival: Rival, contradicting: Sequence[int]) -> Suspects:
    """The figures, taken as known by the gadget file, of which one alone at another value lets a
    run fit everything; only those that bear on observations that contradict each other.

    Guesses come first, what is published or measured last, and then what has to move least. Each
    value is one with which an exact run fits, near the least change that does by what the surfaces
    tell. The rival's runs are spent.
    """
    unknown = {one.key for one in rival.log.unknowns}
    some = [one for one in entries(rival.world.gadget)
            if one.key not in unknown and one.origin not in ("demand", "reading")]
    some.sort(key=lambda one: one.origin != "guess")
    best = rival.best(rival.all)
    assert best is not None
    bears: dict[str, None] = {}
    # Far off a little may move nothing: an empty cell is as empty with a little less leakage.
    far = [n for n in contradicting if best.offs[n] > FAR_OFF]
    for factor, numbers in ((_LITTLE, contradicting), (1.0 / _MUCH, far), (_MUCH, far)):
        if numbers:
            others = [one for one in some if one.key not in bears]
            for key, moves in _moved(rival, numbers, best.x, others, factor):
                if moves:
                    bears[key] = None
                if rival.spent:
                    break
    found, asked = [], 0
    for one in some:
        if one.key not in bears or rival.spent:
            continue
        value = _enough(rival, one, best, contradicting)
        if value is None and rival.spent:
            break
        asked += 1
        dimension = dimension_of(rival.world.gadget, one.key, one.figure)
        if value is not None and dimension is not None:
            found.append(Suspect(key=one.key, written=nominal(one.figure), value=value,
                                 origin=one.origin, dimension=dimension))
    found.sort(key=lambda one: (_SURER.get(one.origin, 1), abs(math.log(one.value / one.written))))
    return Suspects(combination=rival.combination, figures=tuple(found), asked=asked,
                    whole=not rival.spent)


def _enough(
    rival: Rival, one: Entry, best: Trial, contradicting: Sequence[int]
) -> float | None:
    """A value of a figure with which a run fits everything, as near as may be; None: none found."""
    found = [value for sign in (-1.0, 1.0)
             if (value := _on_one_side(rival, one, best, sign, contradicting)) is not None]
    return min(found, key=lambda value: abs(math.log(value / nominal(one.figure))), default=None)


def _on_one_side(
    rival: Rival, one: Entry, best: Trial, sign: float, contradicting: Sequence[int]
) -> float | None:
    from simfw.benchlog.solving import extreme, nearest_fit

    rates = _rates(rival, one, best.x, _LITTLE ** sign)
    if rates is not None and not any(rate for n in contradicting for rate in rates[n]):
        rates = _rates(rival, one, best.x, _MUCH ** sign)
    way = sign * _FARTHEST

    def less(x: Array) -> tuple[float, Array]:
        slope = np.zeros(len(x))
        slope[-1] = -1.0
        return -float(x[-1]), slope

    for inside in _INSIDE:
        if rates is None or rival.spent:
            return None
        conditions = _conditions(rival, rates, way)
        start = nearest_fit(conditions, [np.append(best.x, 0.1)], rival.size + 1)[0][1]
        x = extreme(conditions, less, [start], inside)
        if x is None or x[-1] <= 0.0:
            return None
        value = _rounded(one, nominal(one.figure) * math.exp(way * float(x[-1])))
        rows = _looks(rival, {one.key: value}, x[:-1])
        if rows is None:
            return None
        if all(margin.off <= FITS for row in rows for margin in row):
            return value
        by = math.log(value / nominal(one.figure))
        if by == 0.0:
            return None
        rates = _through(rival, rows, x[:-1], by)
    return None


def _rates(rival: Rival, one: Entry, x: Array, factor: float) -> list[list[float]] | None:
    """By how much each margin moves with the logarithm of a figure; None: that is no gadget."""
    rows = _looks(rival, {one.key: nominal(one.figure) * factor}, x)
    if rows is None:
        return None
    by = math.log(factor)
    return [
        [(b.z - a.z) / by if math.isfinite(a.z) and math.isfinite(b.z) else 0.0
         for a, b in zip(rival.look(n, x), row, strict=True)]
        for n, row in zip(rival.all, rows, strict=True)
    ]


def _through(
    rival: Rival, rows: Sequence[tuple[Margin, ...]], x: Array, by: float
) -> list[list[float]] | None:
    """The same, so that what surfaces tell with it goes through a look with the figure moved."""
    found = []
    for n, row in zip(rival.all, rows, strict=True):
        known = rival.surfaces_of(n)
        point = x[rival.sights[n].dims]
        if not all(math.isfinite(margin.z) for margin in row):
            return None
        found.append([(margin.z - surface.at(point)[0]) / by
                      for margin, surface in zip(row, known, strict=True)])
    return found


def _looks(
    rival: Rival, figures: Mapping[str, float], x: Array
) -> list[tuple[Margin, ...]] | None:
    """Exact looks at all observations with figures changed; None where that makes no gadget."""
    rows = []
    for n in rival.all:
        row = rival.moved(n, figures, x)
        if row is None:
            return None
        rows.append(row)
    return rows


def _conditions(
    rival: Rival, rates: Sequence[Sequence[float]], way: float
) -> list[Constraint]:
    """What all observations ask, with one number more: how far (0..1) of the way a figure moves."""
    found = []
    for n in rival.all:
        dims = np.array([*rival.sights[n].dims, rival.size], dtype=int)
        for surface, margin, rate in zip(
            rival.surfaces_of(n), rival.sights[n].like, rates[n], strict=True
        ):
            if not margin.firm:
                found.append(Constraint(_Tilted(surface, rate * way), dims, margin.low,
                                        margin.high, margin.scale))
    return found


class _Tilted(Surface):
    """A surface that rises with one number more."""

    def __init__(self, surface: Surface, rate: float) -> None:
        self.surface, self.rate, self.flat, self.level = surface, rate, False, surface.level

    def ahead(self, x: Array) -> tuple[float, Callable[[], Array]]:
        value, slope = self.surface.ahead(x[:-1])
        return value + self.rate * float(x[-1]), lambda: np.append(slope(), self.rate)

    def many(self, xs: Array) -> Array:
        found: Array = self.surface.many(xs[:, :-1]) + self.rate * xs[:, -1]
        return found


def _rounded(one: Entry, value: float) -> float:
    """As it is told: what is told has been run."""
    rounded = float(f"{value:.{_DIGITS}g}")
    return round(rounded) if isinstance(one.figure, Timing) else rounded
