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


def _rows(constraints: Sequence[Constraint], x: Array, size: int) -> tuple[Array, Array, Array]:
    """Each one-sided condition as g + h (t - 1) >= 0: g, its gradient, and h, in tolerances."""
    values, slopes, loose = [], [], []
    for one in constraints:
        if one.surface.flat:
            continue
        z, slope = one.surface.at(x[one.dims])
        whole = np.zeros(size)
        whole[one.dims] = slope
        unit = one.unit
        if math.isfinite(one.low):
            values.append((z - one.low) / unit)
            slopes.append(whole / unit)
            loose.append(1.0)
            if isinstance(one.surface, Edge):  # well inside where all else allows it, never beyond
                values.append(values[-1])
                slopes.append(slopes[-1])
                loose.append(0.0)
        if math.isfinite(one.high):
            values.append((one.high - z) / unit)
            slopes.append(-whole / unit)
            loose.append(1.0)
    return (np.array(values), np.array(slopes).reshape(len(values), size), np.array(loose))


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
    g, _, _ = _rows(constraints, start, size)
    first = np.append(start, min(1.0 - float(g.min()), _BIG))
    down = np.append(np.zeros(size), 1.0)

    rows = _kept(lambda x: _rows(constraints, x, size))

    def values(y: Array) -> Array:
        g, _, h = rows(y[:-1])
        return np.asarray(g + h * (y[-1] - 1.0))

    def slopes(y: Array) -> Array:
        _, slope, h = rows(y[:-1])
        return np.hstack([slope, h[:, None]])

    done = minimize(
        lambda y: float(y[-1]), first, jac=lambda _y: down, method="SLSQP",
        bounds=[(0.0, 1.0)] * size + [(0.0, None)],
        constraints={"type": "ineq", "fun": values, "jac": slopes},
        options={"maxiter": _STEPS, "ftol": 1e-7},
    )
    x = np.clip(done.x[:-1], 0.0, 1.0)
    return x if np.isfinite(x).all() else np.array(start)


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
        g, _, _ = _rows(constraints, x, size)
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
    goal, rows = _kept(goal), _kept(lambda x: _rows(constraints, x, size))
    conditions = [] if all(c.surface.flat for c in constraints) else [{
        "type": "ineq",
        "fun": lambda x: rows(x)[0] + (allow - 1.0),
        "jac": lambda x: rows(x)[1],
    }]
    done = minimize(
        lambda x: -goal(x)[0], start, jac=lambda x: -goal(x)[1], method="SLSQP",
        bounds=[(0.0, 1.0)] * size, constraints=conditions,
        options={"maxiter": _STEPS, "ftol": 1e-9},
    )
    x = np.clip(done.x, 0.0, 1.0)
    return x if np.isfinite(x).all() else np.array(start)
