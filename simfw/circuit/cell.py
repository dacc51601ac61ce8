"""The cell: open-circuit voltage against charge, series resistance, self-discharge."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.curves import Curve, load_curve

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["MONTH_S", "CellModel"]

Array = NDArray[np.float64]

MONTH_S = 30.4375 * 86_400.0  # a twelfth of 365.25 days


@dataclass(frozen=True, slots=True, kw_only=True)
class CellModel:
    """The electrical cell. `self_discharge_per_s` is the share of the present charge per second."""

    curve: Curve
    capacity_c: float
    resistance_ohm: float
    leakage_a: float | None
    self_discharge_per_s: float | None

    def open_circuit_v(self, charge: Array) -> Array:
        """Open-circuit voltage (V) at charge (0..1), linear between the curve's points."""
        return np.interp(charge, self.curve.charge, self.curve.voltage_v)

    def self_discharge_a(self, charge: Array) -> Array:
        """Self-discharge (A): in proportion to the charge that is left.

        A rate r per month means that exp(-lambda * month) = 1 - r.
        """
        rate = self.self_discharge_per_s or 0.0
        return np.asarray(rate * self.capacity_c * charge)


def cell_model(gadget: Gadget) -> CellModel:
    """Read the `[cell]` section; a curve in a file is found beside the gadget file."""
    cell = gadget.cell
    folder = Path(gadget.file).parent if gadget.file else Path()
    rate = None
    if cell.self_discharge is not None:
        rate = -math.log1p(-cell.self_discharge.value) / MONTH_S
    return CellModel(
        curve=load_curve(cell.curve, folder, gadget.file),
        capacity_c=cell.capacity.value,
        resistance_ohm=0.0 if cell.resistance is None else cell.resistance.value,
        leakage_a=None if cell.leakage is None else cell.leakage.value,
        self_discharge_per_s=rate,
    )
