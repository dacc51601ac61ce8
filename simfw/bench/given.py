"""Times and quantities that a caller gives as a number or as text."""

from __future__ import annotations

import math

from simfw.errors import QuantityError, UsageError
from simfw.quantity import read_ns, read_number
from simfw.units import Dimension

__all__ = ["given_ns", "given_number", "given_switch"]


def given_ns(value: int | str, name: str) -> int:
    """A time in ns, given as a whole number or as text; UsageError names it `name`."""
    if isinstance(value, int) and not isinstance(value, bool):
        if value < 0:
            raise UsageError(f"{name} = {value}: a time before the start. Allowed: 0 ns or more.")
        return value
    try:
        return read_ns(value)
    except QuantityError as error:
        raise UsageError(f"{name} = {value!r}: {error.text}. Allowed: {error.allowed}, "
                         "or a whole number of ns.") from error


def given_number(value: float | str, dimension: Dimension, name: str) -> float:
    """A quantity in SI units, given as a number or as text; UsageError names it `name`."""
    if isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    try:
        return read_number(value, dimension)
    except QuantityError as error:
        raise UsageError(f"{name} = {value!r}: {error.text}. Allowed: {error.allowed}.") from error


def given_switch(value: object, name: str) -> float:
    """1 for True and 0 for False; UsageError for anything else names it `name`."""
    if value not in (True, False):
        raise UsageError(f"{name} = {value!r}: this is on or off. Allowed: True, False.")
    return float(bool(value))
