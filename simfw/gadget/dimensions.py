"""What a figure of a gadget measures, and how another value of it is written."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING

from simfw.errors import QuantityError
from simfw.quantity import (
    CHARGE,
    CYCLES,
    PER_MONTH,
    RATIO,
    TIME,
    Dimension,
    Figure,
    Timing,
    format_rough_time,
    format_si,
    read_number,
)
from simfw.units import DIMENSIONS, PREFIXES, measured

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["dimension_of", "value_text"]

_LUMP_C = 3.6e-3  # 1 uAh: what is less is no cell's, and written in coulombs


def dimension_of(gadget: Gadget, key: str, figure: Figure | Timing) -> Dimension | None:
    """The dimension of a figure: that of its measure, or by how it is written in the file.

    None where that does not tell.
    """
    if isinstance(figure, Timing):
        return TIME
    section, _, rest = key.partition(".")
    name, _, part = rest.partition(".")
    if section == "measures" and part.startswith(("thresholds", "hysteresis")):
        return measured(gadget.measures[name].unit)
    for dimension in DIMENSIONS:
        try:
            read_number(re.split(r"±|\+-|\+/-|\(|@", figure.text)[0].strip(), dimension)
        except QuantityError:
            continue
        return dimension
    return None


def value_text(value: float, dimension: Dimension, digits: int = 3) -> str:
    """A value (SI; nanoseconds for a time) with its unit."""
    if dimension is TIME:
        return format_rough_time(value * 1e-9, digits)
    if dimension is CHARGE and abs(value) >= _LUMP_C:
        return format_si(value / 3600.0, "Ah", digits)
    if dimension in (RATIO, PER_MONTH):
        return f"{100.0 * value:.{digits}g} %" + ("/month" if dimension is PER_MONTH else "")
    if dimension is CYCLES:
        return f"{value:.6g} cycles"
    whole = next((unit for unit, size in dimension.units.items() if size == 1), None)
    if whole is not None and dimension.units.get(f"m{whole}") == PREFIXES["m"]:
        return format_si(value, whole, digits)
    unit, size = next(iter(dimension.units.items()))
    assert isinstance(size, Decimal)  # a rate per year is the only other, and comes above
    return f"{value / float(size):.{max(digits, 4)}g} {unit}"
