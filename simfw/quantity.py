"""Text to SI numbers and back.

A quantity in a file is a string with a unit. Here it becomes a `Figure` (a float in SI units) or,
for times, a `Timing` (a whole number of nanoseconds). Decimal text for times never passes through
float.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Figure", "Standing", "Timing"]

Standing = Literal["measured", "published", "guess"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number of the gadget in SI units, with its range and how far it can be trusted.

    `low <= value <= high`; all three are equal where no range is given. `text` is the quantity as
    written in the file.
    """

    value: float
    low: float
    high: float
    standing: Standing | None = None
    source: str | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """One time of the gadget in whole nanoseconds, with its range and standing."""

    ns: int
    low_ns: int
    high_ns: int
    standing: Standing | None = None
    source: str | None = None
    text: str = ""
