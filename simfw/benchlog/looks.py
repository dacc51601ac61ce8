"""What is kept of exact looks, and what surfaces go through."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.benchlog.margin import Margin, comes

__all__ = [
    "CLOSE",
    "Aim",
    "End",
    "Trial",
    "close_looks",
    "differ",
    "ends_of",
    "lost",
    "low_discrepancy",
    "near",
    "parted",
    "seen",
    "seen_of",
    "smooth",
    "step_of",
    "worst_of",
]

Array = NDArray[np.float64]

_SAME = 1e-5  # of the way: points that are one
CLOSE = 4.0  # tolerances: looks that are no further off tell how it is near the ends


@dataclass(frozen=True, slots=True)
class Trial:
    """An exact look at observations: where, and how far each is off; infinite: not looked at."""

    x: Array
    offs: tuple[float, ...]

    @property
    def worst(self) -> float:
        """How far the worst observation is off, in tolerances."""
        return max(self.offs, default=0.0)


@dataclass(frozen=True, slots=True)
class Aim:
    """What is made as large or as small as can be.

    `share`: the number of an entry of `x`. `sum`: figures that are added up. `ratio`: figures with
    exponents, as a logarithm. `sight`: a margin, as (observation, number of it).
    """

    share: int | None = None
    sum: tuple[int, ...] = ()
    ratio: tuple[tuple[int, int], ...] = ()
    sight: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class End:
    """One end of an aim: `reached` by a run that fits, `outer` where the truth lies within.

    `trial` is that run.
    """

    reached: float
    outer: float
    trial: Trial


def close_looks(
    known: list[tuple[tuple[float, ...], tuple[Margin, ...]]], dims: int, sampled: int
) -> list[tuple[tuple[float, ...], tuple[Margin, ...]]]:
    """Of the looks at an observation those that are not far off, and as many as a surface needs.

    Those made after the first `sampled` were proposed: a surface that was wrong there learns it.
    """
    offs = [
        0.0 if n >= sampled and comes(row) else max((one.off for one in row), default=0.0)
        for n, (_, row) in enumerate(known)
    ]
    order = sorted(range(len(known)), key=lambda n: offs[n])
    count = max(sum(off <= CLOSE for off in offs), 2 * (dims + 1) + 2)
    return [known[n] for n in sorted(order[:count])]


def seen(row: Sequence[Margin]) -> bool:
    """Whether all that was looked for came, and what is a yes or a no was as seen."""
    return all(math.isfinite(one.z) and (one.off <= 1.0 or not one.firm) for one in row)


def step_of(row: Sequence[Margin]) -> tuple[int, ...] | None:
    """The step on which a look lies; None where something did not come."""
    return tuple(one.step for one in row) if comes(row) else None


def parted(column: Sequence[Margin]) -> bool:
    """Whether some figures meet a sight and others do not, and no smooth margin tells how far."""
    offs = [one.off for one in column if one.firm]
    return {off <= 1.0 for off in offs} == {True, False} and all(
        off > 1.2 or off <= 1.0 for off in offs)


def near(one: Array, other: Array) -> bool:
    """Whether two points are one."""
    return bool(np.abs(one - other).max(initial=0.0) < _SAME)


def worst_of(one: Trial, subset: Sequence[int]) -> float:
    """How far the worst of some observations is off, in tolerances."""
    return max((one.offs[n] for n in subset), default=0.0)


def seen_of(offs: Sequence[float], subset: Sequence[int]) -> float:
    """How far the worst of those is off that were looked at, in tolerances."""
    return max((offs[n] for n in subset if offs[n] < math.inf), default=0.0)


def smooth(margin: Margin) -> float:
    """What a surface goes through: the margin, or how far off a yes or no is."""
    return math.log1p(min(margin.off, 1e4)) if margin.firm else margin.z


def ends_of(margin: Margin) -> tuple[float, float, float]:
    """The ends of what a surface goes through, and its tolerance."""
    if margin.firm:
        return -math.inf, math.log(2.0), 0.1
    return margin.low, margin.high, margin.scale


def differ(one: tuple[Margin, ...], other: tuple[Margin, ...]) -> bool:
    """Whether two looks differ by more than rounding."""
    return any(
        (a.off != b.off and abs(a.z - b.z) > 1e-9 * max(1.0, abs(a.z))) or
        math.isfinite(a.z) != math.isfinite(b.z)
        for a, b in zip(one, other, strict=True)
    )


def lost(like: tuple[Margin, ...]) -> tuple[Margin, ...]:
    """A look that came to no end, with margins like those of another."""
    return tuple(
        Margin(z=math.nan, low=one.low, high=one.high, scale=one.scale, firm=one.firm)
        for one in like
    ) or (Margin(z=math.nan, low=0.0, high=0.0),)


def low_discrepancy(size: int, count: int, seed: int) -> Array:
    """Points of a scrambled Sobol sequence (count x size); the same for the same seed."""
    if size == 0:
        return np.zeros((1, 0))
    from scipy.stats import qmc

    whole = 1 << max(count - 1, 1).bit_length()
    found: Array = qmc.Sobol(size, scramble=True, seed=seed).random(whole)[:count]
    return found
