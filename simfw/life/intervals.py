"""How far the answers of a study may be off because it has so many users and no more."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["half_width_of_mean", "half_widths_of_percentiles"]

Array = NDArray[np.float64]

LEVEL = 0.98
"""The level at which intervals are made.

They are stated to hold in 95 of 100 studies. At a level of just 95 % every second hundred of
studies would fall short of that by chance, and Student's t falls short by some more where few users
have skewed days; at 98 % ninety-five or more of a hundred hold with a probability of 98 % (binomial
distribution).
"""


def half_width_of_mean(days: Array) -> float:
    """Half the width of the interval of the mean of `days` (two or more), by Student's t."""
    from scipy.stats import t

    count = len(days)
    deviation = float(days.std(ddof=1))
    return float(t.ppf(0.5 + LEVEL / 2, count - 1)) * deviation / math.sqrt(count)


def half_widths_of_percentiles(days: Array, shares: tuple[float, ...]) -> tuple[float, ...]:
    """Half the widths of the intervals of percentiles of `days`, one per share 0..1.

    The deviation of the order statistic of rank 1 + share (n - 1) when n days are drawn anew from
    those seen, in closed form: Maritz and Jarrett 1978, J. American Statistical Association 73,
    194-196 (from memory; a test holds it against resampling).
    """
    from scipy.special import betainc, ndtri

    ordered = np.sort(days)
    count = len(ordered)
    at = np.arange(count + 1) / count
    found = []
    for share in shares:
        rank = 1.0 + share * (count - 1)
        weights = np.diff(betainc(rank, count - rank + 1.0, at))
        mean = float(weights @ ordered)
        deviation = math.sqrt(float(weights @ (ordered - mean) ** 2))
        found.append(float(ndtri(0.5 + LEVEL / 2)) * deviation)
    return tuple(found)
