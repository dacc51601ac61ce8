"""Run and charge times of four published cells by PyBaMM's porous-electrode model, and by simfw.

The model is that of M. Doyle, T. F. Fuller and J. Newman, J. Electrochem. Soc. 140 (1993) 1526
(DFN), as solved by PyBaMM (V. Sulzer et al., J. Open Res. Software 9 (2021) 14). simfw gets the
same cell as an open-circuit curve and one resistance, which is read from the model's own voltage
after ten minutes at 1C: it is fitted, the times are not. Needs the package `pybamm`.
"""

from __future__ import annotations

import functools
import os
import tomllib
from dataclasses import dataclass
from typing import Any

import numpy as np

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.curves import built_in_curve
from simfw.circuit.endurance import ChargeTime, charge_time, discharge
from simfw.gadget.model import Gadget

os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")


@dataclass(frozen=True, slots=True)
class PublishedCell:
    """A parameter set, the built-in curve made from it, and its cut-off (V)."""

    set_name: str
    curve: str
    cut_off_v: float


CELLS = (
    PublishedCell("Chen2020", "nmc-5ah-cylindrical", 2.5),
    PublishedCell("Ai2020", "lco-2ah-pouch", 3.0),
    PublishedCell("Ecker2015", "nmc-150mah-pouch", 2.5),
    PublishedCell("Mohtat2020", "nmc-5ah-pouch", 2.8),
)


def _solve(cell: PublishedCell, steps: list[str], start: float) -> Any:
    import pybamm

    simulation = pybamm.Simulation(
        pybamm.lithium_ion.DFN(),
        parameter_values=pybamm.ParameterValues(cell.set_name),
        experiment=pybamm.Experiment(steps),
    )
    return simulation.solve(initial_soc=start)


@functools.cache
def nominal_ah(cell: PublishedCell) -> float:
    """The set's nominal capacity (Ah); rates are told against it."""
    import pybamm

    return float(pybamm.ParameterValues(cell.set_name)["Nominal cell capacity [A.h]"])


@functools.cache
def window_ah(cell: PublishedCell) -> float:
    """Capacity (Ah) between the cut-off and 4.2 V at rest, by the set's stoichiometries."""
    import pybamm

    values = pybamm.ParameterValues(cell.set_name)
    names = pybamm.LithiumIonParameters()
    solver = pybamm.lithium_ion.ElectrodeSOHSolver(values)
    inputs = {
        "Q_Li": values.evaluate(names.Q_Li_particles_init),
        "Q_n": values.evaluate(names.n.Q_init),
        "Q_p": values.evaluate(names.p.Q_init),
    }
    return float(solver.solve(inputs)["Q"])


@functools.cache
def series_ohm(cell: PublishedCell) -> float:
    """Resistance (ohm) that ten minutes of 1C at half charge show, the fall of rest taken off."""
    amps = nominal_ah(cell)
    solution = _solve(cell, [f"Discharge at {amps} A for 10 minutes"], 0.5)
    curve = built_in_curve(cell.curve)
    rest_v = np.interp(0.5 - amps / 6.0 / window_ah(cell), curve.charge, curve.voltage_v)
    return float(rest_v - solution["Voltage [V]"].entries[-1]) / amps


def their_discharge_h(cell: PublishedCell, rate: float) -> float:
    """Hours from full to the cut-off at a constant current of `rate` times nominal."""
    step = f"Discharge at {rate * nominal_ah(cell)} A for 100 hours or until {cell.cut_off_v} V"
    return float(_solve(cell, [step], 1.0)["Time [h]"].entries[-1])


def their_charge_h(cell: PublishedCell, rate: float, finish: float) -> float:
    """Hours from empty at rest: constant current to 4.2 V, held until `finish` times nominal."""
    amps, last = rate * nominal_ah(cell), finish * nominal_ah(cell)
    steps = [f"Charge at {amps} A until 4.2 V", f"Hold at 4.2 V until {last} A"]
    return float(_solve(cell, steps, 0.0)["Time [h]"].entries[-1])


def _circuit(cell: PublishedCell, rate: float, finish: float) -> Circuit:
    amps = rate * nominal_ah(cell)
    text = f"""
[gadget]
name = "Published cell"
[cell]
curve = "{cell.curve}"
capacity = "{window_ah(cell):.6f} Ah"
resistance = "{series_ohm(cell):.8f} Ω"
cut_off = "{cell.cut_off_v} V"
[charger]
current = "{amps:.8f} A"
float = "4.2 V"
finish = "{100 * finish / rate:.4f} %"
[loads.lamp]
current = "{amps:.8f} A"
"""
    return Circuit(Gadget.model_validate(tomllib.loads(text)))


def our_discharge_h(cell: PublishedCell, rate: float) -> float:
    """The same hours by simfw."""
    loads = LoadSet(drives=(("lamp", 1.0, -1),))
    found = discharge(_circuit(cell, rate, rate / 10), loads).run_time_s
    assert found is not None
    return found / 3600.0


def our_charge(cell: PublishedCell, rate: float, finish: float) -> ChargeTime:
    """The same charge by simfw."""
    return charge_time(_circuit(cell, rate, finish), LoadSet())
