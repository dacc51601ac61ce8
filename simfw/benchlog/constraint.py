"""A margin as a condition by its surface: how far off many points are at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.edge import Edge
from simfw.benchlog.margin import Margin
from simfw.benchlog.surface import Surface

__all__ = ["Constraint", "offs_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Constraint:
    """A margin by its surface: between `low` and `high`, or up to one end with a tolerance.

    Or an edge of what comes, which nothing that is looked for may lie beyond.
    """

    surface: Surface | Edge
    dims: NDArray[np.int_]
    low: float
    high: float
    scale: float

    @property
    def unit(self) -> float:
        """What counts as one tolerance."""
        both = math.isfinite(self.low) and math.isfinite(self.high)
        return max(0.5 * (self.high - self.low), 1e-12) if both else self.scale

    def off(self, z: float) -> float:
        """How far off a value is, in tolerances."""
        return Margin(z=z, low=self.low, high=self.high, scale=self.scale).off

    def many(self, xs: Array) -> Array:
        """How far off many points are (m x d)."""
        return self._offs(self.surface.many(xs[:, self.dims]))

    def over(self, cloud: Array) -> Array:
        """The same of points that are asked for again and again: of one surface always these."""
        if self.surface.over is None:
            self.surface.over = self.surface.many(cloud[:, self.dims])
        return self._offs(self.surface.over)

    def _offs(self, z: Array) -> Array:
        if self.surface.flat:
            return np.full(len(z), self.off(self.surface.level))
        if math.isfinite(self.low) and math.isfinite(self.high):
            found: Array = np.abs(z - 0.5 * (self.low + self.high)) / self.unit
            return found
        beyond = self.low - z if math.isfinite(self.low) else z - self.high
        return np.maximum(0.0, 1.0 + beyond / self.unit)


def offs_of(
    constraints: Sequence[Constraint], xs: Array, *, again: bool = False
) -> Array:
    """How far off the worst of some conditions is, for each of many points (m x d).

    `again`: these are the points that are asked for of each surface again and again.
    """
    worst = np.zeros(len(xs))
    for one in constraints:
        worst = np.maximum(worst, one.over(xs) if again else one.many(xs))
    return worst
