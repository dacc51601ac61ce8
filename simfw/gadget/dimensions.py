"""What a figure of a gadget measures, and how another value of it is written."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from simfw.errors import QuantityError
from simfw.quantity import (
    ANGLE,
    AREA,
    CHARGE,
    CURRENT,
    CYCLES,
    FREQUENCY,
    INTENSITY,
    IRRADIANCE,
    LENGTH,
    PER_MONTH,
    RATIO,
    RESISTANCE,
    TEMPERATURE,
    THERMAL_RESISTANCE,
    TIME,
    VOLTAGE,
    Dimension,
    Figure,
    Timing,
    format_rough_time,
    format_si,
    read_number,
)
from simfw.units import measured

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["dimension_of", "value_text"]

_DIMENSIONS: tuple[Dimension, ...] = (
    TIME, RESISTANCE, CURRENT, VOLTAGE, CHARGE, RATIO, PER_MONTH, FREQUENCY, CYCLES, LENGTH, AREA,
    ANGLE,
    INTENSITY, IRRADIANCE, TEMPERATURE, THERMAL_RESISTANCE,
)
_UNITS = {id(RESISTANCE): "Ω", id(CURRENT): "A", id(VOLTAGE): "V", id(FREQUENCY): "Hz",
          id(LENGTH): "m", id(INTENSITY): "W/sr", id(IRRADIANCE): "W/m2"}


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
    for dimension in _DIMENSIONS:
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
    if dimension is CHARGE:
        return format_si(value / 3600.0, "Ah", digits)
    if dimension in (RATIO, PER_MONTH):
        return f"{100.0 * value:.{digits}g} %" + ("/month" if dimension is PER_MONTH else "")
    if dimension is CYCLES:
        return f"{value:.6g} cycles"
    unit = _UNITS.get(id(dimension))
    if unit is None and len(dimension.units) == 1:  # as of a measure: without prefixes
        return f"{value:.4g} {next(iter(dimension.units))}"
    return format_si(value, unit, digits) if unit else f"{value:.4g}"
