"""What the spread of the life depends on: first-order shares from the users already simulated.

Each user's life is a value of y at a point of the unit cube (one coordinate per figure with a
range, one for the habits' strength). The first-order share of a coordinate is the variance of the
conditional mean E[y | x] over that of y (Sobol 1993). It is estimated by fitting y with Legendre
polynomials of each coordinate alone; as the points fill the cube evenly, the squares of their
coefficients are the shares. What chance adds to the squares is taken off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.life.sampling import MOST_ROWS, Spread
from simfw.stimuli.pattern import Pattern

__all__ = ["Contributor", "contributors", "first_order"]

Array = NDArray[np.float64]

DEGREE = 3
LEAST_USERS = 8
BLOCK = 4096  # users fitted at once


@dataclass(frozen=True, slots=True)
class Contributor:
    """A figure (by its key), or the habits, and its share of the variance of the life."""

    name: str
    share: float


class _Fit:
    """Least squares block by block: only a triangle is held, however many users there are."""

    def __init__(self, dimensions: int, count: int) -> None:
        self._dimensions, self._count = dimensions, count
        self._degree = max(1, min(DEGREE, (count - 2) // (2 * max(dimensions, 1))))
        self._triangle = np.zeros((0, 2 + dimensions * self._degree))

    def add(self, points: Array, values: Array) -> None:
        """Add users: `points` (n x d) in the unit cube and their `values` (n)."""
        columns = [np.ones(len(values))]
        for d in range(self._dimensions):
            for n in range(1, self._degree + 1):
                polynomial = np.polynomial.legendre.Legendre.basis(n)
                columns.append(np.sqrt(2.0 * n + 1.0) * polynomial(2.0 * points[:, d] - 1.0))
        rows = np.vstack([self._triangle, np.column_stack([*columns, values])])
        self._triangle = np.asarray(np.linalg.qr(rows, mode="r"))

    def shares(self, variance: float) -> Array:
        """First-order shares of the columns in a variance of the values."""
        matrix, values = self._triangle[:, :-1], self._triangle[:, -1]
        fitted, *_ = np.linalg.lstsq(matrix, values, rcond=None)
        left = values - matrix @ fitted
        noise = float(left @ left) / max(1, self._count - matrix.shape[1]) / self._count
        shares = np.zeros(self._dimensions)
        for d in range(self._dimensions):
            part = fitted[1 + d * self._degree : 1 + (d + 1) * self._degree]
            shares[d] = max(0.0, float(part @ part) - self._degree * noise) / variance
        total = shares.sum()
        return np.asarray(shares / total if total > 1.0 else shares)


def first_order(points_of: Callable[[slice], Array], values: Array) -> Array:
    """First-order shares of the columns of points in `values` (n).

    `points_of(part)` are the points (m x d, each even in 0..1) of a part of the values; they are
    asked for a block at a time.
    """
    count = len(values)
    dimensions = points_of(slice(0, 1)).shape[1]
    variance = float(values.var())
    if variance <= 0.0 or count < LEAST_USERS:
        return np.zeros(dimensions)
    fit = _Fit(dimensions, count)
    for first in range(0, count, BLOCK):
        part = slice(first, first + BLOCK)
        fit.add(points_of(part), values[part])
    return fit.shares(variance)


def contributors(
    pattern: Pattern, days: Array, strengths: Array, seed: int
) -> tuple[Contributor, ...]:
    """The contributors to the spread over users, the largest first.

    `days` and `strengths` hold one value per user: the mean time between charges (NaN where none
    ended), and how much the user does against what the pattern says. "habits" is that; "day to day"
    is what is left: chance, and figures together.
    """
    assert pattern.gadget is not None
    spread = Spread(pattern.gadget)
    users = len(days)
    parts = spread.rows(min(users, MOST_ROWS), seed)
    kept = np.flatnonzero(~np.isnan(days))
    if len(kept) < LEAST_USERS or float(days[kept].var()) <= 0.0:
        return ()
    names = list(spread.keys)
    ranks: Array | None = None
    if np.ptp(strengths) > 0.0:
        ranks = np.empty(users)
        ranks[np.argsort(strengths)] = (np.arange(users) + 0.5) / users
        names.append("habits")

    def points_of(part: slice) -> Array:
        chosen = kept[part]
        points = parts[chosen % len(parts)]
        return points if ranks is None else np.column_stack([points, ranks[chosen]])

    shares = first_order(points_of, days[kept])
    found = [Contributor(name, float(share)) for name, share in zip(names, shares, strict=True)]
    rest = 1.0 - float(shares.sum())
    if rest > 0.0:
        found.append(Contributor("day to day", rest))
    return tuple(sorted(found, key=lambda one: -one.share))
