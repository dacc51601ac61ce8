"""What the battery gauge really shows: bands of true charge per bar, better thresholds, drift.

The controller sees the terminal under the load of the moment, through its converter's steps and a
reference that is off by its tolerance. A bar therefore stands for a band of charge, not for one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.gadget.quantities import with_values

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = [
    "GaugeBand",
    "Suggestion",
    "gauge_bands",
    "suggest_thresholds",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeBand:
    """Between which true charges (0..1) exactly `bars` bars may show.

    `nominal_low` .. `nominal_high` hold for the nominal gadget while it discharges under the first
    load set; `low` .. `high` over all load sets, corners and, by the hysteresis, both directions.
    """

    bars: int
    nominal_low: float
    nominal_high: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A threshold (V, as measured) for the charge at which a bar should go out.

    `worst_error` is the greatest distance in charge (0..1) from `charge` over all corners; no
    threshold has a smaller one.
    """

    charge: float
    threshold_v: float
    worst_error: float


@dataclass(frozen=True, slots=True)
class _Corner:
    circuit: Circuit
    charge: Array
    voltage_v: Array

    def charge_at(self, measured_v: float) -> float:
        """The charge at which the controller reads `measured_v`; 0 or 1 beyond the ends."""
        true_v = self.circuit.true_v_for(measured_v)
        return float(np.interp(true_v, self.voltage_v, self.charge, left=0.0, right=1.0))

    def measured_at(self, charge: float) -> float:
        return self.circuit.measured_v(float(np.interp(charge, self.charge, self.voltage_v)))


def _corners(gadget: Gadget, loads: Sequence[LoadSet]) -> Iterator[_Corner]:
    """The nominal gadget under the first load set, then every corner."""
    reference = None if gadget.controller is None else gadget.controller.reference
    ohm = gadget.cell.resistance
    references = [None] if reference is None else [reference.value, reference.low, reference.high]
    resistances = [None] if ohm is None else [ohm.value, ohm.low, ohm.high]
    pairs = dict.fromkeys(itertools.product(resistances, references))
    for resistance, true_v in pairs:
        varied = gadget
        if resistance is not None:
            varied = with_values(gadget, {"cell.resistance": resistance})
        circuit = Circuit(varied, reference_v=true_v)
        nodes = circuit.charge_nodes
        charge = np.union1d(nodes, 0.5 * (nodes[1:] + nodes[:-1]))
        for load in loads:
            volts = circuit.solve(load, charge).voltage_v
            yield _Corner(circuit, charge, np.maximum.accumulate(volts))


def gauge_bands(gadget: Gadget, loads: Sequence[LoadSet]) -> tuple[GaugeBand, ...]:
    """The band of true charge for each number of bars, from 0 up; empty without thresholds.

    Corners: the tolerance of the reference and of the cell's resistance, and every load set given.
    """
    gauge = gadget.gauge
    if gauge is None or not gauge.thresholds:
        return ()
    down = [threshold.value for threshold in gauge.thresholds]
    rise = 0.0 if gauge.hysteresis is None else gauge.hysteresis.value
    corners = list(_corners(gadget, loads))
    bands = []
    for bars in range(len(down) + 1):
        lows = [corner.charge_at(down[bars - 1]) if bars else 0.0 for corner in corners]
        tops = [corner.charge_at(down[bars]) if bars < len(down) else 1.0 for corner in corners]
        rising = [
            corner.charge_at(down[bars] + rise) if bars < len(down) else 1.0 for corner in corners
        ]
        bands.append(
            GaugeBand(
                bars=bars, nominal_low=lows[0], nominal_high=tops[0], low=min(lows),
                high=max(rising),
            )
        )
    return tuple(bands)


def suggest_thresholds(
    gadget: Gadget, loads: Sequence[LoadSet], charges: Sequence[float] | None = None
) -> tuple[Suggestion, ...]:
    """Thresholds with the smallest worst error, one per charge at which a bar should go out.

    Without `charges` the bars share the charge equally: bar k of n goes out at k / (n + 1). The
    worst error is least where the earliest and the latest corner trip equally far from the wanted
    charge; that threshold is found by halving.
    """
    if charges is None:
        bars = 0 if gadget.gauge is None else len(gadget.gauge.thresholds)
        charges = [k / (bars + 1) for k in range(1, bars + 1)]
    corners = list(_corners(gadget, loads))
    return tuple(_best(corners, charge) for charge in charges)


def _best(corners: Sequence[_Corner], charge: float) -> Suggestion:
    readings = [corner.measured_at(charge) for corner in corners]
    low, high = min(readings), max(readings)
    for _ in range(50):
        middle = 0.5 * (low + high)
        trips = [corner.charge_at(middle) for corner in corners]
        if max(trips) + min(trips) < 2.0 * charge:
            low = middle
        else:
            high = middle
    # The converter's steps make the trip points jump: the better side of the jump counts.
    error, threshold = min(
        (max(abs(corner.charge_at(side) - charge) for corner in corners), side)
        for side in (low, high)
    )
    return Suggestion(charge=charge, threshold_v=threshold, worst_error=error)
