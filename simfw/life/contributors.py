"""What the spread of the life hangs on: first-order shares from the users already simulated.

Each user's life is a value of y at a point of the unit cube (one coordinate per figure with a
range, one for the habits' strength). The first-order share of a coordinate is the variance of the
conditional mean E[y | x] over that of y (Sobol 1993). It is estimated by fitting y with Legendre
polynomials of each coordinate alone; as the points fill the cube evenly, the squares of their
coefficients are the shares. What chance adds to the squares is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.life.sampling import MOST_ROWS, Spread
from simfw.stimuli.pattern import Pattern

__all__ = ["Contributor", "contributors", "first_order"]

Array = NDArray[np.float64]

DEGREE = 3


@dataclass(frozen=True, slots=True)
class Contributor:
    """A figure (by its key), or the habits, and its share of the variance of the life."""

    name: str
    share: float


def first_order(points: Array, values: Array) -> Array:
    """First-order shares of the columns of `points` (n x d, each even in 0..1) in `values` (n)."""
    count, dimensions = points.shape
    variance = float(values.var())
    if variance <= 0.0 or count < 8:
        return np.zeros(dimensions)
    degree = max(1, min(DEGREE, (count - 2) // (2 * max(dimensions, 1))))
    columns = [np.ones(count)]
    for d in range(dimensions):
        for n in range(1, degree + 1):
            polynomial = np.polynomial.legendre.Legendre.basis(n)
            columns.append(np.sqrt(2.0 * n + 1.0) * polynomial(2.0 * points[:, d] - 1.0))
    matrix = np.column_stack(columns)
    fitted, *_ = np.linalg.lstsq(matrix, values, rcond=None)
    left = values - matrix @ fitted
    noise = float(left @ left) / max(1, count - matrix.shape[1]) / count
    shares = np.zeros(dimensions)
    for d in range(dimensions):
        part = fitted[1 + d * degree : 1 + (d + 1) * degree]
        shares[d] = max(0.0, float(part @ part) - degree * noise) / variance
    total = shares.sum()
    return np.asarray(shares / total if total > 1.0 else shares)


def contributors(
    pattern: Pattern, days: Array, strength: Array, seed: int
) -> tuple[Contributor, ...]:
    """The contributors to the spread over users, the largest first.

    "habits" is how much a user does; "day to day" what is left: chance, and figures together.
    """
    assert pattern.gadget is not None
    spread = Spread(pattern.gadget)
    users = len(days)
    rows = min(users, MOST_ROWS)
    points = spread.rows(rows, seed)[np.arange(users) % rows]
    names = list(spread.keys)
    if np.ptp(strength) > 0.0:
        ranks = (np.argsort(np.argsort(strength)) + 0.5) / users
        points = np.column_stack([points, ranks])
        names.append("habits")
    kept = ~np.isnan(days)
    if kept.sum() < 8 or float(days[kept].var()) <= 0.0:
        return ()
    shares = first_order(points[kept], days[kept])
    found = [Contributor(name, float(share)) for name, share in zip(names, shares, strict=True)]
    rest = 1.0 - float(shares.sum())
    if rest > 0.0:
        found.append(Contributor("day to day", rest))
    return tuple(sorted(found, key=lambda one: -one.share))
