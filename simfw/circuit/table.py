"""A current as a function of voltage, tabulated once and added up cheaply.

The branches of a gadget are closed forms that cost about 0.1 us a point each. Tabulated as cubic
Hermite pieces with exact slopes they can be *added* before the node is solved, so that a solution
costs the same for one light as for ten. The pieces are 2-3 mV wide; against the 50 mV in which a
diode's current grows e-fold that leaves an error below 1e-7 of the current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Current", "Grid", "add", "hermite"]

Array = NDArray[np.float64]
Place = tuple[NDArray[np.intp], Array]


@dataclass(frozen=True, slots=True)
class Grid:
    """Equal steps from 0 V to `top_v`."""

    top_v: float
    pieces: int = 2048

    @property
    def nodes_v(self) -> Array:
        """The voltages of the nodes (V), shape (pieces + 1,)."""
        return np.linspace(0.0, self.top_v, self.pieces + 1)

    def place(self, voltage_v: Array) -> Place:
        """For each voltage the number of its piece, and how far into it (0..1) it lies."""
        scaled = np.maximum(voltage_v, 0.0) * (self.pieces / self.top_v)
        index = np.minimum(scaled.astype(np.intp), self.pieces - 1)
        return index, scaled - index


@dataclass(frozen=True, slots=True)
class Current:
    """A piecewise cubic current (A) of one voltage (V). `pieces` has shape (n, 4), power form.

    It is cut off at `limit_a`, sharply: a cubic would draw the corner round.
    """

    grid: Grid
    pieces: Array
    limit_a: float = math.inf

    def __call__(self, voltage_v: Array) -> Array:
        """The current (A) at the voltages; that of 0 V below 0 V."""
        return self.at(self.grid.place(voltage_v))

    def at(self, place: Place) -> Array:
        """The current (A) where the grid has placed some voltages."""
        index, part = place
        c = self.pieces[index]
        value = ((c[..., 3] * part + c[..., 2]) * part + c[..., 1]) * part + c[..., 0]
        return np.asarray(value if self.limit_a == math.inf else np.minimum(value, self.limit_a))

    def with_slope(self, voltage_v: Array) -> tuple[Array, Array]:
        """The current (A) and its slope (S) at the voltages."""
        index, part = self.grid.place(voltage_v)
        c = self.pieces[index]
        c1, c2, c3 = c[..., 1], c[..., 2], c[..., 3]
        value = ((c3 * part + c2) * part + c1) * part + c[..., 0]
        slope = ((3.0 * c3 * part + 2.0 * c2) * part + c1) * (self.grid.pieces / self.grid.top_v)
        if self.limit_a == math.inf:
            return value, slope
        slope = np.where(value < self.limit_a, slope, 0.0)
        return np.minimum(value, self.limit_a), slope


def hermite(grid: Grid, value_a: Array, slope_s: Array) -> Current:
    """Cubic pieces through values (A) and slopes (S) at the grid's nodes."""
    step = grid.top_v / grid.pieces
    y0, y1 = value_a[:-1], value_a[1:]
    m0, m1 = slope_s[:-1] * step, slope_s[1:] * step
    rise = y1 - y0
    pieces = np.column_stack([y0, m0, 3.0 * rise - 2.0 * m0 - m1, m0 + m1 - 2.0 * rise])
    return Current(grid, pieces)


def add(curves: list[Current]) -> Current | None:
    """The sum of several currents on one grid that have no limit, None for none."""
    if not curves:
        return None
    if len(curves) == 1:
        return curves[0]
    return Current(curves[0].grid, np.sum([curve.pieces for curve in curves], axis=0))
