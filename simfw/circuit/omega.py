"""The Wright omega function of a real argument: the w > 0 with w + ln w = x.

Start values and step are those of Lawrence, Corless and Jeffrey (2012, ACM Trans. Math. Softw.
38(3), 20; cited from memory): one step of the rule of Fritsch, Shafer and Crowley is of fourth
order, two reach double precision. scipy has the function too, but importing `scipy.special` takes
longer than tabulating a whole gadget.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["wright_omega"]

Array = NDArray[np.float64]

_LEAST = -700.0  # below, w is taken for 0: exp(-708) is the smallest normal number


def wright_omega(argument: ArrayLike) -> Array:
    """The w > 0 with w + ln w = x, element by element, same shape; 0 where it underflows."""
    given = np.asarray(argument, dtype=float)
    gone = given < _LEAST
    x = np.where(gone, 1.0, given)
    high = np.maximum(x, 1.0)
    log = np.log(high)
    small = np.exp(np.minimum(x, 0.0))
    middle = np.exp((2.0 / 3.0) * (np.minimum(x, 1.0) - 1.0))
    w = np.where(x < -2.0, small, np.where(x < 1.0, middle, high - log + log / high))
    for _ in range(2):
        rest = x - w - np.log(w)
        one = w + 1.0
        twice = 2.0 * one * (one + (2.0 / 3.0) * rest)
        w = w * (1.0 + rest / one * (twice - rest) / (twice - 2.0 * rest))
    return np.asarray(np.where(gone, 0.0, w))
