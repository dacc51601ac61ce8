"""Part spread: every figure that has a range, drawn by a scrambled Sobol sequence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simfw.engine.corners import ends_of
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import nominal, ranged

__all__ = ["MOST_ROWS", "Spread"]

Array = NDArray[np.float64]

MOST_ROWS = 256
"""How many sets of parts are drawn at most; with more users than that, users share them."""


class Spread:
    """The figures of a gadget that have a range, and sets of values for them.

    Half of the parts lie below the value as written and half above, evenly on each side; where the
    value is an end of its range, evenly over the range.
    """

    def __init__(self, gadget: Gadget) -> None:
        ends = ends_of(gadget)
        found = ranged(gadget)
        self.keys = tuple(ends)
        self.low = np.array([low for low, _ in ends.values()])
        self.value = np.array([nominal(found[key]) for key in ends])
        self.high = np.array([high for _, high in ends.values()])

    def rows(self, count: int, seed: int) -> Array:
        """`count` points of a scrambled Sobol sequence in 0..1, one column per figure.

        Scrambling: Owen 1998, *J. Complexity* 14, 466 (as scipy.stats.qmc has it).
        """
        if not self.keys:
            return np.zeros((count, 0))
        from scipy.stats import qmc

        rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed)))
        sequence = qmc.Sobol(len(self.keys), scramble=True, seed=rng)
        return np.asarray(sequence.random_base2(max(0, (count - 1).bit_length()))[:count])

    def values(self, row: Sequence[float] | Array) -> dict[str, float]:
        """The figures (SI units) at one point of the unit cube, by key; `row` has 0..1 per key."""
        u = np.asarray(row, dtype=float)
        below = self.low + 2.0 * u * (self.value - self.low)
        above = self.value + (2.0 * u - 1.0) * (self.high - self.value)
        one_sided = (self.value == self.low) | (self.value == self.high)
        even = self.low + u * (self.high - self.low)
        chosen = np.where(one_sided, even, np.where(u < 0.5, below, above))
        return dict(zip(self.keys, chosen.tolist(), strict=True))
