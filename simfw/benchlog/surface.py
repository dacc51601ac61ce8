"""A smooth surface through exact runs: where to look next.

A cubic radial function with a straight part (M. J. D. Powell, "The theory of radial basis function
approximation in 1990", Advances in Numerical Analysis II, 1992): through n points x_i of d numbers,
z(x) = sum w_i |x - x_i|^3 + b_0 + b x, with sum w_i = 0 and sum w_i x_i = 0. It only proposes;
what is told of a gadget was run.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Lifted", "Surface", "squares"]

Array = NDArray[np.float64]

_CLOSE = 1e-7  # points nearer to one another are one
_STIFF = 1e-11  # on the diagonal, so that near points do not spoil the solution
_BLOCK = 72  # equations that are solved at once
_PRODUCT = 200_000  # multiplications that are left to one call


class Surface:
    """The surface through points (n x d) with values (n).

    `over`: its values at points that are asked for again and again, once somebody has.
    """

    over: Array | None = None

    def __init__(self, points: Array, values: Array) -> None:
        kept = _apart(points)
        self.points, values = points[kept], values[kept]
        n, d = self.points.shape
        self.flat = d == 0 or len(values) == 1 or bool(np.ptp(values) == 0.0)
        self.weights = np.zeros(n)
        self.slope = np.zeros(d)
        self.level = float(values[-1]) if self.flat else 0.0
        if self.flat:
            return
        gaps = np.sqrt(squares(self.points, self.points))
        straight = np.hstack([np.ones((n, 1)), self.points])
        left = np.zeros((n + d + 1, n + d + 1))
        left[:n, :n] = gaps**3 + _STIFF * np.eye(n)
        left[:n, n:] = straight
        left[n:, :n] = straight.T
        right = np.concatenate([values, np.zeros(d + 1)])
        try:
            found = _solved(left, right)
        except np.linalg.LinAlgError:  # points on a line, say
            found = np.linalg.lstsq(left, right, rcond=None)[0]
        self.weights, self.level = found[:n], float(found[n])
        self.slope = found[n + 1 :]

    def at(self, x: Array) -> tuple[float, Array]:
        """The value at one point, and its gradient."""
        value, slope = self.ahead(x)
        return value, slope()

    def ahead(self, x: Array) -> tuple[float, Callable[[], Array]]:
        """The value at one point, and what gives its gradient."""
        if self.flat:
            return self.level, lambda: np.zeros(len(x))
        away = x - self.points
        far = np.sqrt((away * away).sum(axis=1))
        value = float(self.weights @ far**3 + self.level + self.slope @ x)
        return value, lambda: 3.0 * ((self.weights * far) @ away) + self.slope

    def many(self, xs: Array) -> Array:
        """The values at many points (m x d)."""
        if self.flat:
            return np.full(len(xs), self.level)
        far = np.sqrt(squares(xs, self.points))
        found: Array = (far**3 * self.weights).sum(axis=1) + self.level + xs @ self.slope
        return found


class Lifted(Surface):
    """A surface that lies higher by a number."""

    def __init__(self, surface: Surface, by: float) -> None:
        self.surface, self.by = surface, by
        self.flat, self.level = surface.flat, surface.level + by

    def ahead(self, x: Array) -> tuple[float, Callable[[], Array]]:
        """The value at one point, and what gives its gradient."""
        value, slope = self.surface.ahead(x)
        return value + self.by, slope

    def many(self, xs: Array) -> Array:
        """The values at many points (m x d)."""
        found: Array = self.surface.many(xs) + self.by
        return found


def _solved(left: Array, right: Array) -> Array:
    """The solution of a surface's equations, by blocks from the last one on.

    A library that shares larger blocks among threads costs up to a hundred times as much where
    other work holds the cores, and rounds by how many there are. Behind any points with their
    straight part what is left of the rest is positive definite, so that no block needs another's
    rows.
    """
    count = len(right)
    if count <= _BLOCK:
        return np.asarray(np.linalg.solve(left, right), dtype=np.float64)
    rest = count - _BLOCK  # the straight part stands last
    first = np.linalg.solve(
        left[rest:, rest:], np.column_stack([left[rest:, :rest], right[rest:]]))
    rows = max(1, _PRODUCT // (_BLOCK * (rest + 1)))
    passed = np.vstack([
        left[n : min(n + rows, rest), rest:] @ first for n in range(0, rest, rows)
    ])
    before = _solved(left[:rest, :rest] - passed[:, :-1], right[:rest] - passed[:, -1])
    return np.concatenate([before, first[:, -1] - (first[:, :-1] * before).sum(axis=1)])


def squares(some: Array, others: Array) -> Array:
    """The squares of the distances of some points from others."""
    found = np.zeros((len(some), len(others)))
    for one, other in zip(some.T, others.T, strict=True):
        found += np.subtract.outer(one, other) ** 2
    return found


def _apart(points: Array) -> NDArray[np.int_]:
    """The numbers of points that are not one with a later one."""
    if points.shape[1] == 0:
        return np.array([len(points) - 1])
    close = np.ones((len(points), len(points)), dtype=bool)
    for one in points.T:
        close &= np.abs(np.subtract.outer(one, one)) < _CLOSE
    return np.flatnonzero(~np.triu(close, 1).any(axis=1))
