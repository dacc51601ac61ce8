"""The constrained optimiser on smooth surfaces: sequential least squares programming.

D. Kraft, "A software package for sequential quadratic programming", DFVLR-FB 88-28, 1988, as in
scipy. It proposes points; exact runs decide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from simfw.benchlog.edge import Edge

if TYPE_CHECKING:
    from simfw.benchlog.constraint import Constraint

__all__ = ["extreme", "nearest_fit"]

Array = NDArray[np.float64]
Found = TypeVar("Found")

_STEPS = 60
_BIG = 1e3
_AT_AN_END = 1e-9  # share of a range


class _Rows:
    """Each one-sided condition as g + h (t - 1) >= 0, in tolerances: `loose` is h.

    What is the same at all points is worked out once: the optimiser asks for hundreds of them.
    """

    def __init__(self, constraints: Sequence[Constraint], size: int) -> None:
        self._size = size
        self._plan = []
        loose: list[float] = []
        for one in constraints:
            if one.surface.flat:
                continue
            low, high = math.isfinite(one.low), math.isfinite(one.high)
            # Well inside of an edge where all else allows it, never beyond.
            edge = low and isinstance(one.surface, Edge)
            self._plan.append((one.surface, one.dims, one.low if low else None, edge,
                               one.high if high else None, one.unit))
            loose += [1.0] * low + [0.0] * edge + [1.0] * high
        self.loose = np.array(loose)

    def at(self, x: Array) -> tuple[Array, Callable[[], Array]]:
        """At a point: g, and what gives its gradient, for which fewer points are asked."""
        found = [surface.ahead(x[dims]) for surface, dims, *_ in self._plan]
        values = np.empty(len(self.loose))
        row = 0
        for (z, _), (_, _, low, edge, high, unit) in zip(found, self._plan, strict=True):
            if low is not None:
                values[row : row + 1 + edge] = (z - low) / unit
                row += 1 + edge
            if high is not None:
                values[row] = (high - z) / unit
                row += 1

        def slopes() -> Array:
            rows = np.zeros((len(self.loose), self._size))
            row = 0
            for (_, steep), (_, dims, low, edge, high, unit) in zip(
                found, self._plan, strict=True
            ):
                slope = steep() / unit
                if low is not None:
                    rows[row : row + 1 + edge, dims] = slope
                    row += 1 + edge
                if high is not None:
                    rows[row, dims] = -slope
                    row += 1
            return rows

        return values, slopes


def _kept(work: Callable[[Array], Found]) -> Callable[[Array], Found]:
    """The same, which keeps the latest: values and slopes are asked of one point in turn."""
    latest: list[tuple[bytes, Found]] = []

    def kept(x: Array) -> Found:
        key = x.tobytes()
        if not latest or latest[0][0] != key:
            latest[:] = [(key, work(x))]
        return latest[0][1]

    return kept


def nearest_fit(
    constraints: Sequence[Constraint], starts: Sequence[Array], size: int
) -> list[tuple[float, Array]]:
    """Points at which the worst of the conditions is least off, by the surfaces, best first.

    Each comes with how far off it is there (tolerances), but for edges.
    """
    flat = max((c.off(c.surface.level) for c in constraints if c.surface.flat), default=0.0)
    found = []
    for start in starts:
        x, off, whole = np.array(start), flat, flat
        if any(not c.surface.flat for c in constraints):
            x = _least_off(constraints, start, size)
            offs = [(c.off(c.surface.at(x[c.dims])[0]), c) for c in constraints]
            off = max([flat, *(one for one, c in offs if not isinstance(c.surface, Edge))])
            whole = max([off, *(one for one, _ in offs)])
        found.append((whole, off, x))
    order = sorted(range(len(found)), key=lambda n: found[n][0])
    return [found[n][1:] for n in order]


def _least_off(constraints: Sequence[Constraint], start: Array, size: int) -> Array:
    rows_of = _Rows(constraints, size)
    g, h = rows_of.at(start)[0], rows_of.loose
    first = np.append(start, min(1.0 - float(g.min()), _BIG))
    down = np.append(np.zeros(size), 1.0)

    rows = _kept(rows_of.at)

    def values(y: Array) -> Array:
        return np.asarray(rows(y[:-1])[0] + h * (y[-1] - 1.0))

    def slopes(y: Array) -> Array:
        return np.hstack([rows(y[:-1])[1](), h[:, None]])

    done = minimize(
        lambda y: float(y[-1]), first, jac=lambda _y: down, method="SLSQP",
        bounds=[(0.0, 1.0)] * size + [(0.0, None)],
        constraints={"type": "ineq", "fun": values, "jac": slopes},
        options={"maxiter": _STEPS, "ftol": 1e-7},
    )
    return _inside(done.x[:-1], start)


def extreme(
    constraints: Sequence[Constraint], goal: Callable[[Array], tuple[float, Array]],
    starts: Sequence[Array], allow: float,
) -> Array | None:
    """The point at which `goal` is largest where no condition is more than `allow` off.

    By the surfaces; None where no start leads to such a point.
    """
    size = len(starts[0])
    best: tuple[float, Array] | None = None
    for start in starts:
        x = _extreme_from(constraints, goal, start, allow, size)
        g, _ = _Rows(constraints, size).at(x)
        if len(g) and g.min() < 1.0 - allow - 1e-5:
            continue
        value = goal(x)[0]
        if best is None or value > best[0] + 1e-12:
            best = value, x
    return None if best is None else best[1]


def _extreme_from(
    constraints: Sequence[Constraint], goal: Callable[[Array], tuple[float, Array]],
    start: Array, allow: float, size: int,
) -> Array:
    goal, rows = _kept(goal), _kept(_Rows(constraints, size).at)
    conditions = [] if all(c.surface.flat for c in constraints) else [{
        "type": "ineq",
        "fun": lambda x: rows(x)[0] + (allow - 1.0),
        "jac": lambda x: rows(x)[1](),
    }]
    done = minimize(
        lambda x: -goal(x)[0], start, jac=lambda x: -goal(x)[1], method="SLSQP",
        bounds=[(0.0, 1.0)] * size, constraints=conditions,
        options={"maxiter": _STEPS, "ftol": 1e-9},
    )
    return _at_its_end(_inside(done.x, start))


def _inside(found: Array, start: Array) -> Array:
    """What the optimiser has found, within the ranges; the start, where it has lost its way."""
    x = np.clip(found, 0.0, 1.0)
    return x if np.isfinite(x).all() else np.array(start)


def _at_its_end(x: Array) -> Array:
    """What is an end of a range but for rounding as that end.

    How the last digits come out differs from processor to processor, and a cell with a trace of
    charge is not one that is empty.
    """
    return np.where(x < _AT_AN_END, 0.0, np.where(x > 1.0 - _AT_AN_END, 1.0, x))
