"""Margins that jump from figure to figure: what no smooth surface tells.

A sensor looks every 200 ms, and a minute later a hundredth more of that period has moved the look
by a second: the margin is a saw, and fits lie on narrow islands. A surface through a few runs shows
a hill there. Such a margin is known by its slope: much steeper where one looks closely than from
end to end. Then many runs are made, each is led along its own tooth (C. F. Gauss' least squares by
linear steps), and nothing is excluded nearer than the slope allows between two runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.margin import Margin
from simfw.benchlog.surface import Surface

__all__ = ["Slope", "between_looks", "foretold", "polished", "slope_of"]

Array = NDArray[np.float64]
Look = Callable[[Array], tuple[Margin, ...]]

_H = 2.0**-10  # of a range: how far away one looks closely
_MOST = (25, 75)  # per cent: what lies beyond may be edges that were taken for one another
_TIMES = 8.0  # steeper than what lies between these by so much is a saw
_TOLERANCES = 4.0  # over the whole range; what moves less decides nothing
_PLACES = 6
_LEAST = 8  # looks: fewer tell nothing of what lies between
_ROUNDS = 4
_UNTOLD = 0.25


@dataclass(frozen=True, slots=True)
class Slope:
    """How steep the margins of an observation are, in tolerances over the whole of all ranges.

    `jumps`: whether one of them is much steeper than from end to end.
    """

    steep: float
    jumps: bool


def foretold(known: Sequence[tuple[tuple[float, ...], tuple[Margin, ...]]]) -> bool:
    """Whether a surface through every other look tells those between, so that nothing can jump.

    Within a tolerance, or a quarter of what lies between the looks.
    """
    size = len(known[0][0]) if known else 0
    if size == 0 or len(known) < _LEAST:
        return True
    points = np.array([key for key, _ in known])
    for k in range(len(known[0][1])):
        if any(row[k].firm for _, row in known):
            continue
        values = np.array([row[k].sideways for _, row in known])
        good = np.flatnonzero(np.isfinite(values))
        some, others = good[::2], good[1::2]
        if len(others) < _PLACES // 2:
            continue
        misses = np.abs(Surface(points[some], values[some]).many(points[others]) - values[others])
        low, high = np.percentile(values[good], _MOST)
        if float(np.median(misses)) > max(1.0, _UNTOLD * float(high - low)):
            return False
    return True


def slope_of(
    known: Sequence[tuple[tuple[float, ...], tuple[Margin, ...]]], look: Look
) -> Slope:
    """Whether an observation jumps, by looks that were made (points 0..1 with margins).

    `look` makes another one; six are made.
    """
    size = len(known[0][0]) if known else 0
    if size == 0 or len(known) < _PLACES:
        return Slope(0.0, jumps=False)
    way = np.array([1.0 - 0.5 * (k * 0.618 % 1.0) for k in range(size)])
    steps: list[list[float]] = [[] for _ in known[0][1]]
    for key, before in known[-_PLACES:]:
        point = np.array(key)
        moved = look(point + _H * way * np.where(point < 0.5, 1.0, -1.0))
        for found, a, b in zip(steps, before, moved, strict=True):
            if math.isfinite(a.z) and math.isfinite(b.z) and not a.firm:
                found.append(abs(b.sideways - a.sideways) / _H)
    steepest, jumps = 0.0, False
    for k, found in enumerate(steps):
        values = [row[k].sideways for _, row in known if math.isfinite(row[k].z)]
        if len(found) < _PLACES // 2 or len(values) < _PLACES:
            continue
        steep = float(np.median(found))
        low, high = np.percentile(values, _MOST)
        steepest = max(steepest, steep)
        jumps |= steep > _TOLERANCES and steep > _TIMES * float(high - low)
    return Slope(steepest, jumps)


def between_looks(slope: Slope, count: int, size: int) -> float:
    """How much nearer (tolerances) it may be between `count` looks that lie evenly."""
    return slope.steep * float(count ** (-1.0 / size))


def polished(start: Array, look: Look) -> tuple[float, Array]:
    """The nearest point to `start` at which all margins agree, led by their slopes; how far off."""
    x = np.array(start)
    margins = look(x)
    off = max(one.off for one in margins)
    for _ in range(_ROUNDS):
        if off <= 0.5:
            break
        rows, misses = [], []
        moved = []
        for k in range(len(x)):
            beside = x.copy()
            beside[k] += _H / 16 if x[k] < 0.5 else -_H / 16
            moved.append((beside[k] - x[k], look(beside)))
        for n, one in enumerate(margins):
            slopes = [(there[n].sideways - one.sideways) / by for by, there in moved]
            if not one.firm and all(map(math.isfinite, (*slopes, one.z))):
                rows.append(slopes)
                misses.append(-one.sideways)
        if not rows:
            break
        step = np.linalg.lstsq(np.array(rows), np.array(misses), rcond=None)[0]
        tried = np.clip(x + step, 0.0, 1.0)
        there = look(tried)
        new = max(one.off for one in there)
        if new >= off:
            break
        x, margins, off = tried, there, new
    return off, x
