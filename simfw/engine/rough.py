"""Which way a figure acts on a battery life, from currents alone.

What was on for how long in a repetition is taken as it was; what that draws with other parts, and
where the cell then is too low, is worked out anew. That tells lengthening from shortening for every
figure that changes currents and voltages but not what the firmware does when.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simfw.circuit.circuit import Circuit, LoadSet
from simfw.gadget.model import Gadget
from simfw.gadget.quantities import quantities
from simfw.quantity import Timing

__all__ = ["Profile", "rough_lives", "told_by_currents"]

# Figures that decide when something happens, not only what it draws.
_DECIDING = ("gauge.", "measures.", "proximity.", "charger.", "controller.wake",
             "controller.step", "controller.frequency")
_POINTS = 24


@dataclass(frozen=True, slots=True)
class Profile:
    """How long (ns) each load set is on in a repetition: while all is done, and below that.

    `fails_at` is the charge at which what is asked first is not done, before the protection opens;
    None where nothing fails before. `circuit` is that with nominal parts.
    """

    above_ns: Mapping[LoadSet, int]
    below_ns: Mapping[LoadSet, int]
    fails_at: float | None
    circuit: Circuit


def told_by_currents(gadget: Gadget, key: str) -> bool:
    """Whether `rough_lives` can tell which way a figure acts; else repetitions have to be run."""
    figure = quantities(gadget).get(key)
    return not isinstance(figure, Timing) and not key.startswith(_DECIDING)


def rough_lives(profile: Profile, circuit: Circuit) -> tuple[float, float]:
    """Repetitions until what is asked is not done, and until the protection opens, roughly.

    Failing is put down to the voltage that the controller measured then under the heaviest load.
    """
    heavy = _heaviest(profile.circuit, profile.above_ns)
    empty = _charge_at(circuit, heavy, circuit.cut_off_v)
    if profile.fails_at is None:
        fails, low = empty, empty
    else:
        nominal = profile.circuit
        volts = float(nominal.solve(heavy, profile.fails_at).voltage_v[0])
        fails = _charge_at(circuit, heavy, circuit.true_v_for(nominal.measured_v(volts)))
        low = min(fails, _charge_at(circuit, _heaviest(nominal, profile.below_ns),
                                    circuit.cut_off_v))
    served = _repetitions(circuit, profile.above_ns, fails, 1.0)
    return served, served + _repetitions(circuit, profile.below_ns, low, fails)


def _heaviest(circuit: Circuit, times_ns: Mapping[LoadSet, int]) -> LoadSet:
    loads = list(times_ns)
    drawn = circuit.totals(loads, [0.5]).consumed_a[:, 0]
    return loads[int(np.argmax(drawn))]


def _charge_at(circuit: Circuit, loads: LoadSet, volts: float | None) -> float:
    if volts is None:
        return 0.0
    charge = np.linspace(0.0, 1.0, 2001)
    voltage = np.maximum.accumulate(circuit.solve(loads, charge).voltage_v)
    return float(np.interp(volts, voltage, charge))


def _repetitions(
    circuit: Circuit, times_ns: Mapping[LoadSet, int], low: float, high: float
) -> float:
    if high <= low:
        return 0.0
    charge = low + (high - low) * (np.arange(_POINTS) + 0.5) / _POINTS
    totals = circuit.totals(list(times_ns), charge)
    seconds = np.array(list(times_ns.values())) * 1e-9
    taken = seconds @ (totals.consumed_a - totals.charger_a) / circuit.capacity_c
    if np.any(taken <= 0.0):
        return float("inf")
    return float(np.sum((high - low) / _POINTS / taken))
