"""What the battery gauge really shows: bands of true charge per bar, better thresholds, drift.

The controller sees the terminal under the load of the moment, through its converter's steps and a
reference that is off by its tolerance. A bar therefore stands for a band of charge, not for one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.circuit.extremes import heaviest_loads, lightest_loads
from simfw.gadget.quantities import ranged, with_values
from simfw.quantity import Figure

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = [
    "GaugeBand",
    "Suggestion",
    "gauge_bands",
    "gauge_loads",
    "suggest_thresholds",
]

Array = NDArray[np.float64]

# Charges that are read in any case: between two points of a curve the terminal bends with what it
# feeds, and jumps where the charger falls back to precharge.
_BETWEEN = np.linspace(0.0, 1.0, 801)
# What decides how much is drawn or charged while the gauge reads. The reference is varied apart.
_WEIGHING = ("lights.", "loads.", "proximity.", "controller.awake", "charger.")


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeBand:
    """Between which true charges (0..1) exactly `bars` bars may show at a sample.

    `nominal_low` .. `nominal_high` hold for the nominal gadget while it discharges under the first
    load set; `low` .. `high` over all load sets, corners and, by the hysteresis, both directions.
    Of a gauge that counts, both hold as long as nothing has flowed past its counter.
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


def gauge_loads(gadget: Gadget, *, charging: bool = True) -> tuple[LoadSet, ...]:
    """The load sets between which every reading of the gauge lies, asleep at rest first.

    The least that the gadget can have on, also with the charger running if `charging`, and the most
    (see `extremes`).
    """
    least = lightest_loads(gadget)
    found = [LoadSet(), *least, *heaviest_loads(gadget)]
    if charging and gadget.charger is not None:
        found += [replace(load, charger="fast") for load in least]
    return tuple(dict.fromkeys(found))


def _corners(gadget: Gadget, loads: Sequence[LoadSet]) -> Iterator[_Corner]:
    """The nominal gadget under the first load set, then every corner."""
    reference = None if gadget.controller is None else gadget.controller.reference
    references = [None] if reference is None else [reference.value, reference.low, reference.high]
    for varied in _parts(gadget, loads):
        circuits = [Circuit(varied, reference_v=true_v) for true_v in dict.fromkeys(references)]
        circuit = circuits[0]
        charge = np.union1d(circuit.charge_nodes, _BETWEEN)
        for load in loads:
            volts = np.maximum.accumulate(_terminal_v(circuit, load, charge))
            for one in circuits:
                yield _Corner(one, charge, volts)


def _terminal_v(circuit: Circuit, load: LoadSet, charge: Array) -> Array:
    """The terminal voltage (V); a charger that falls back to precharge does so."""
    volts = circuit.solve(load, charge).voltage_v
    charger = circuit.charger
    if load.charger != "fast" or charger is None or charger.falls_back_v is None:
        return volts
    slow = circuit.solve(replace(load, charger="precharge"), charge).voltage_v
    return np.where(volts >= charger.falls_back_v, volts, slow)


def _parts(gadget: Gadget, loads: Sequence[LoadSet]) -> Iterator[Gadget]:
    """The nominal gadget, then its parts at the ends of their ranges, the cell's resistance apart.

    Which end of a part makes the terminal lower is found by trying each end at half charge, under
    the heaviest of `loads` (of a part of the charger, under one that charges).
    """
    yield gadget
    ranges = {key: figure for key, figure in ranged(gadget).items() if isinstance(figure, Figure)}
    cell = {key: figure for key, figure in ranges.items() if key.startswith("cell.resistance")}
    nominal = Circuit(gadget)
    resting = max(loads, key=lambda load: -float(nominal.solve(load, 0.5).voltage_v[0]))
    plugged = [load for load in loads if load.charger == "fast"]
    low_v: dict[str, float] = {}
    high_v: dict[str, float] = {}
    for key, figure in ranges.items():
        if not key.startswith(_WEIGHING):
            continue
        load = plugged[0] if plugged and key.startswith("charger.") else resting
        ends = [float(Circuit(with_values(gadget, {key: end})).solve(load, 0.5).voltage_v[0])
                for end in (figure.low, figure.high)]  # fmt: skip
        low_v[key], high_v[key] = (
            (figure.low, figure.high) if ends[0] <= ends[1] else (figure.high, figure.low)
        )
    ohms = [{key: figure.low for key, figure in cell.items()},
            {key: figure.high for key, figure in cell.items()}]  # fmt: skip
    done = [dict[str, float]()]
    for ohm in ohms:
        for part in (low_v, high_v):
            if ohm | part not in done:
                done.append(ohm | part)
                yield with_values(gadget, ohm | part)


def gauge_bands(
    gadget: Gadget, loads: Sequence[LoadSet] | None = None
) -> tuple[GaugeBand, ...]:
    """The band of true charge for each number of bars, from 0 up; empty without thresholds.

    Corners: the tolerance of the reference, the cell's resistance, the thresholds, and all that
    draws or charges, under every load set given; without `loads` under all that the gadget can have
    on (`gauge_loads`), at 25 degC.
    """
    gauge = gadget.gauge
    if gauge is None or not gauge.thresholds:
        return ()
    if gauge.method == "counting":
        return _counted_bands(gadget)
    rise, most = (0.0, 0.0) if gauge.hysteresis is None else (
        gauge.hysteresis.value, gauge.hysteresis.high)  # fmt: skip
    down = gauge.thresholds
    corners = list(_corners(gadget, gauge_loads(gadget) if loads is None else loads))
    first = corners[0]
    bands = []
    for bars in range(len(down) + 1):
        lows = [corner.charge_at(down[bars - 1].low) for corner in corners] if bars else [0.0]
        rising = [1.0] if bars == len(down) else [
            corner.charge_at(max(down[bars].high + most, down[bars].value + rise))
            for corner in corners
        ]
        bands.append(
            GaugeBand(
                bars=bars,
                nominal_low=first.charge_at(down[bars - 1].value) if bars else 0.0,
                nominal_high=first.charge_at(down[bars].value) if bars < len(down) else 1.0,
                low=min(lows), high=max(rising),
            )
        )
    return tuple(bands)


def _counted_bands(gadget: Gadget) -> tuple[GaugeBand, ...]:
    """The bands of a gauge that has counted since a full cell: the ranges of both capacities."""
    gauge = gadget.gauge
    assert gauge is not None
    assert gauge.capacity is not None
    full, figure = gadget.cell.capacity, gauge.capacity
    rise = 0.0 if gauge.hysteresis is None else gauge.hysteresis.high

    def charge_at(counted: float, figure_c: float, full_c: float) -> float:
        return min(max(1.0 - (1.0 - counted) * figure_c / full_c, 0.0), 1.0)

    bands = []
    for bars in range(len(gauge.thresholds) + 1):
        under = gauge.thresholds[bars - 1] if bars else None
        over = gauge.thresholds[bars] if bars < len(gauge.thresholds) else None
        bands.append(
            GaugeBand(
                bars=bars,
                nominal_low=0.0 if under is None
                else charge_at(under.value, figure.value, full.value),
                nominal_high=1.0 if over is None
                else charge_at(over.value, figure.value, full.value),
                low=0.0 if under is None else charge_at(under.low, figure.high, full.low),
                high=1.0 if over is None
                else charge_at(min(over.high + rise, 1.0), figure.low, full.high),
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
