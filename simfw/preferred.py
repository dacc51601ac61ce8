"""Preferred numbers: the resistances that a shop has.

The series E24 (5 % parts) and E96 (1 % parts) of IEC 60063:2015, Preferred number series for
resistors and capacitors. The values of E24 are listed there; those of E96 are 10^(n/96), rounded to
three digits.
"""

from __future__ import annotations

import math
import re
from typing import Literal, get_args

__all__ = ["SERIES", "Series", "is_bought", "preferred_ohm"]

Series = Literal["E24", "E96"]
SERIES: tuple[Series, ...] = get_args(Series)

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30,
        33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)  # fmt: skip
_DECADES = {
    "E24": tuple(10 * value for value in _E24),
    "E96": tuple(round(100 * 10 ** (n / 96)) for n in range(96)),
}
# Keys of the gadget file whose value is that of a resistor on the board.
_BOUGHT = re.compile(
    r"(.*\.)?(resistor|program|base|series|to_ground|to_supply)|loads\.[^.]+\.resistance"
)


def is_bought(key: str) -> bool:
    """Whether the figure under `key` of a gadget file is that of a resistor one buys."""
    return _BOUGHT.fullmatch(key) is not None


def preferred_ohm(resistance_ohm: float, series: Series = "E24") -> float:
    """The value of a series next to `resistance_ohm` (> 0, in ratio)."""
    decade = 10.0 ** math.floor(math.log10(resistance_ohm))
    steps = (*_DECADES[series], 1000)
    nearest = min(steps, key=lambda step: abs(math.log(step / 100.0 * decade / resistance_ohm)))
    # From whole numbers, so that 82 Ω is 82 and not 81.99999999999999.
    exponent = round(math.log10(decade)) - 2
    return float(nearest * 10**exponent) if exponent >= 0 else nearest / 10**-exponent
