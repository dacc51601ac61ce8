"""The cell: open-circuit voltage against charge, series resistance, self-discharge.

Equal cells in series are one with as many times the voltage and the resistance: the same current
flows through all of them, so each gives the same charge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.curves import Curve, built_in_curve, curve_of
from simfw.quantity import MONTH_DAYS

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget
    from simfw.quantity import Figure

__all__ = ["MONTH_S", "CellModel", "cell_curve", "cell_model"]

Array = NDArray[np.float64]

MONTH_S = MONTH_DAYS * 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CellModel:
    """The electrical cell. `self_discharge_per_s` is the share of the present charge per second."""

    curve: Curve
    capacity_c: float
    resistance_ohm: float
    ohm_by_charge: tuple[Array, Array] | None
    ohm_by_temperature: tuple[Array, Array] | None
    leakage_a: float | None
    self_discharge_per_s: float | None

    def open_circuit_v(self, charge: Array) -> Array:
        """Open-circuit voltage (V) at charge (0..1), linear between the curve's points."""
        return np.interp(charge, self.curve.charge, self.curve.voltage_v)

    @property
    def charge_nodes(self) -> Array:
        """The charges between which voltage and resistance are linear."""
        nodes = self.curve.charge
        if self.ohm_by_charge is None:
            return nodes
        inner = self.ohm_by_charge[0]
        return np.union1d(nodes, inner[(inner > 0.0) & (inner < 1.0)])

    def series_ohm(self, charge: Array, temperature_c: float) -> Array | float:
        """Series resistance (ohm) at charge (0..1) and temperature (degrees Celsius).

        The values against charge hold at 25 degrees; those against temperature scale them by their
        ratio to the value at 25 degrees. Both are linear between points and flat outside.
        """
        ohm: Array | float = self.resistance_ohm
        if self.ohm_by_charge is not None:
            ohm = np.interp(charge, *self.ohm_by_charge)
        if self.ohm_by_temperature is not None:
            here, there = np.interp([temperature_c, 25.0], *self.ohm_by_temperature)
            ohm = ohm * float(here / there)
        return ohm

    def self_discharge_a(self, charge: Array) -> Array:
        """Self-discharge (A): in proportion to the charge that is left.

        A rate r per month means that exp(-lambda * month) = 1 - r.
        """
        rate = self.self_discharge_per_s or 0.0
        return np.asarray(rate * self.capacity_c * charge)


def cell_curve(gadget: Gadget) -> Curve:
    """The open-circuit curve of all cells in series; one's own points come with the gadget."""
    points, series = gadget.curve_points, gadget.cell.series
    curve = curve_of(points) if points else built_in_curve(gadget.cell.curve)
    return curve if series == 1 else Curve(curve.charge, series * curve.voltage_v)


def cell_model(gadget: Gadget) -> CellModel:
    """Read the `[cell]` section; see `model.Cell` for what is of one cell."""
    cell, series = gadget.cell, gadget.cell.series
    rate = None
    by_charge = sorted(
        (at.charge.value, series * at.resistance_ohm.value) for at in cell.resistance_at_charge
    )
    by_temperature = sorted(
        (at.temperature_c.value, series * at.resistance_ohm.value)
        for at in cell.resistance_at_temperature
    )
    if cell.self_discharge is not None:
        rate = -math.log1p(-cell.self_discharge.value) / MONTH_S
    return CellModel(
        curve=cell_curve(gadget),
        capacity_c=cell.capacity.value,
        resistance_ohm=_base_ohm(cell.resistance, series, by_temperature),
        ohm_by_charge=_columns(by_charge),
        ohm_by_temperature=_columns(by_temperature),
        leakage_a=None if cell.leakage is None else cell.leakage.value,
        self_discharge_per_s=rate,
    )


def _columns(points: list[tuple[float, float]]) -> tuple[Array, Array] | None:
    if not points:
        return None
    table = np.array(points)
    return table[:, 0], table[:, 1]


def _base_ohm(
    written: Figure | None, series: int, by_temperature: list[tuple[float, float]]
) -> float:
    """The resistance at 25 degrees: as written, else from the values against temperature."""
    if written is not None:
        return series * written.value
    columns = _columns(by_temperature)
    return 0.0 if columns is None else float(np.interp(25.0, *columns))
