"""The edge between figures with which something comes and those with which it never does.

A charge that its load keeps up never ends, a bar is never reached where the light goes out before.
What never comes has no number that a surface could go through, and a surface through what comes
goes on behind the edge as if nothing were. So the edge is a condition of its own: the smoothest
function that is positive where it comes and negative where it does not (the widest margin between
two kinds of points: B. E. Boser, I. M. Guyon, V. N. Vapnik, "A training algorithm for optimal
margin classifiers", COLT 1992; from memory). It only proposes; what is told of a gadget was run.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.margin import Margin, comes
from simfw.benchlog.surface import squares
from simfw.compiling import can_compile, jitted

__all__ = ["Edge", "towards"]

Array = NDArray[np.float64]
Look = Callable[[Array], tuple[Margin, ...]]

_BENT = 0.2  # how much it may bend, against being straight
_REACH = 0.35  # of the way: over which it bends
_WIDE = 0.2  # of the way: points of the other kind beyond that ask for no more
_STEPS = 3000  # at most, of one weight each
_ENOUGH = 0.02  # of what is asked of a point: it may fall short by so much
_MANY = 64  # points: with more of them it pays to compile
_HALVINGS = 10  # looks on the way from what came to what did not


class Edge:
    """Positive where something comes, negative where it never does; near the edge about how far
    away it is, in shares of the way.

    `points` (n x d) were looked at, `came` tells at which it came: some of both. `over`: as of a
    surface.
    """

    flat = False
    level = 0.0
    over: Array | None = None

    def __init__(self, points: Array, came: NDArray[np.bool_]) -> None:
        sign = np.where(came, 1.0, -1.0)
        others = np.where(np.not_equal.outer(came, came), squares(points, points), np.inf)
        asked = np.minimum(np.sqrt(others.min(axis=1)), _WIDE)
        alike = _alike(points, points)
        own = alike.diagonal().copy()
        pulls = np.outer(sign, sign) * alike
        weigh = _compiled() if len(points) > _MANY else _weighed
        weights = weigh(asked, own, np.sqrt(own), pulls, np.zeros(len(points)))
        held = np.flatnonzero(weights)
        self.points, self.weights = points[held], (weights * sign)[held]
        self._far = _from_middle(self.points)
        self.unit = 1.0
        steep = [float(np.sqrt((self.at(x)[1] ** 2).sum())) for x in self.points]
        self.unit = max(float(np.median(steep)), 1e-9)

    def at(self, x: Array) -> tuple[float, Array]:
        """The value at one point, and its gradient."""
        value, slope = self.ahead(x)
        return value, slope()

    def ahead(self, x: Array) -> tuple[float, Callable[[], Array]]:
        """The value at one point, and what gives its gradient."""
        away = x - self.points
        apart = np.zeros(len(self.points))
        for one in away.T:
            apart += one**2
        alike = _alike_of(apart, _from_middle(x[None, :]) + self._far)
        value = float((self.weights * alike).sum())

        def slope() -> Array:
            bent = _BENT * np.exp(-(away * away).sum(axis=1) / (2.0 * _REACH**2)) / _REACH**2
            slopes = self.points - 0.5 - bent[:, None] * away
            found: Array = (self.weights[:, None] * slopes).sum(axis=0) / self.unit
            return found

        return value / self.unit, slope

    def many(self, xs: Array) -> Array:
        """The values at many points (m x d)."""
        found: Array = (_alike(xs, self.points) * self.weights).sum(axis=1) / self.unit
        return found


def _weighed(asked: Array, own: Array, root: Array, pulls: Array, weights: Array) -> Array:
    """The weights of points, one moved at a time: that which is furthest from what is asked of it.

    None may be below 0, and none stands where there is more than is asked. `own` is how a point
    bears on itself, `root` its square root, `pulls` how each bears on each.
    """
    short = asked.copy()  # by how much the value falls short of what is asked
    least, wrong, much = np.zeros(len(own)), np.empty(len(own)), np.empty(len(own))
    # As many rounds as there may be: all in the same few arrays.
    for _ in range(_STEPS):
        np.maximum(np.divide(short, own, out=wrong), least, out=wrong)
        n = int(np.multiply(np.abs(wrong, out=much), root, out=much).argmax())
        by = float(wrong[n])
        if abs(by) * own[n] <= _ENOUGH * asked[n]:
            break
        weights[n] += by
        least[n] = -weights[n]
        short -= np.multiply(by, pulls[n], out=much)
    return weights


def _weighed_one_by_one(
    asked: Array, own: Array, root: Array, pulls: Array, weights: Array
) -> Array:
    """The same number by number, to be compiled: equal to the last bit."""
    short = asked.copy()
    for _ in range(_STEPS):
        n, by, most = 0, 0.0, -1.0
        for k in range(len(own)):
            wrong = max(short[k] / own[k], -weights[k])
            if abs(wrong) * root[k] > most:
                n, by, most = k, wrong, abs(wrong) * root[k]
        if abs(by) * own[n] <= _ENOUGH * asked[n]:
            break
        weights[n] += by
        for k in range(len(own)):
            short[k] -= by * pulls[n, k]
    return weights


@functools.cache
def _compiled() -> Callable[[Array, Array, Array, Array, Array], Array]:
    """What finds the weights of many points: compiled where numba is installed."""
    return jitted(_weighed_one_by_one) if can_compile() else _weighed


def _alike(some: Array, others: Array) -> Array:
    """How alike points are: a straight part, and one that lets the edge bend."""
    return _alike_of(
        squares(some, others), np.add.outer(_from_middle(some), _from_middle(others)))


def _alike_of(apart: Array, far: Array) -> Array:
    """The same by the squares of their distances, and of how far both are from the middle."""
    straight = 0.5 * (far - apart)
    found: Array = 1.0 + straight + _BENT * np.exp(-apart / (2.0 * _REACH**2))
    return found


def _from_middle(points: Array) -> Array:
    found: Array = ((points - 0.5) ** 2).sum(axis=1)
    return found


def towards(look: Look, inside: Array, outside: Array) -> Array:
    """From a point at which something comes towards one at which it never does: the last looked at
    at which it came, or one where it agrees.

    Near the edge it may come later and later: where what is seen lies between a look and the next,
    it is closed in on, so that a sliver beside the edge is found.
    """
    side = _side(look(inside))
    for _ in range(_HALVINGS):
        if side == 0:
            break
        middle = 0.5 * (inside + outside)
        row = look(middle)
        if comes(row) and _side(row) in (0, side):
            inside, side = middle, _side(row)
        else:
            outside = middle
    return inside


def _side(row: Sequence[Margin]) -> int:
    """On which side of what was seen it lies: 0 where it agrees, else by the worst margin."""
    worst = max(row, key=lambda one: one.off)
    if worst.off <= 1.0:
        return 0
    return 1 if worst.sideways > 0 else -1
