"""LED, resistor and switch against a general circuit solver (neospice, a SPICE of its own).

The same diode and transistor parameters go into the solver's netlist and into a gadget file; what
is compared is the closed form and the node solution of simfw with the solver's matrix solution.
"""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.diode import fit_diode
from simfw.gadget.model import Gadget

neospice = pytest.importorskip("neospice", reason="the circuit solver neospice is not installed")

POINTS = [(2.75, 1e-3), (3.20, 20e-3)]
DIODE = fit_diode(POINTS)
MODEL = f".model dl D(is={DIODE.saturation_a!r} n=2 rs={DIODE.series_ohm!r})"
OPTIONS = ".options temp=25 tnom=25 gmin=1e-15"
SWEEP = np.linspace(3.0, 4.2, 25)

SWITCHES = {
    "pin": ('{ kind = "pin", resistance = "25R" }', "R2 c 0 25"),
    "nmos": ('{ kind = "nmos", on_resistance = "60 mΩ" }', "R2 c 0 0.06"),
    "npn": (
        '{ kind = "npn", base = "1k", gain = 200, reverse_gain = 2,'
        ' saturation_current = "1e-14 A" }',
        "Q1 c b 0 qn\nRb a b 1000\n.model qn NPN(is=1e-14 bf=200 br=2)",
    ),
}


def gadget_with(count: int, switch: str, *, cell_ohm: float = 0.0, shared: bool = False) -> Gadget:
    """A gadget that is nothing but a cell and one light."""
    text = f"""
[gadget]
name = "One light"
[cell]
curve = "nmc"
capacity = "1 Ah"
resistance = "{cell_ohm} Ω"
[lights.lamp]
leds = {count}
forward = ["2.75 V @ 1 mA", "3.20 V @ 20 mA"]
resistor = "22R"
shared = {str(shared).lower()}
switch = {SWITCHES[switch][0]}
"""
    return Gadget.model_validate(tomllib.loads(text))


def solver_supply_a(count: int, switch: str, *, cell_ohm: float = 0.0, shared: bool = False):
    """The supply current (A) that the solver finds over the sweep."""
    branches = []
    for k in range(count):
        top = "t" if shared else "a"
        resistor = "" if shared else f"R{k}x {top} b{k} 22\n"
        node = "t" if shared else f"b{k}"
        branches.append(f"{resistor}D{k} {node} c dl")
    if shared:
        branches.append("Rs a t 22")
    source = f"V1 s 0 3\nR1 s a {cell_ohm}" if cell_ohm else "V1 a 0 3"
    net = "\n".join(
        ["one light", source, *branches, SWITCHES[switch][1], MODEL, OPTIONS,
         f".dc V1 {SWEEP[0]} {SWEEP[-1]} {SWEEP[1] - SWEEP[0]}", ".end", ""]
    )
    result = neospice.run(net, reltol=1e-9, abstol=1e-15, vntol=1e-12).dc_sweep
    assert np.allclose(result.sweep_values, SWEEP)
    return -np.asarray(result.current("v1"))


def supply_a(gadget: Gadget):
    """The supply current (A) that simfw finds at the same open-circuit voltages."""
    circuit = Circuit(gadget)
    charge = np.interp(SWEEP, circuit.open_circuit_v(circuit.charge_nodes), circuit.charge_nodes)
    solution = circuit.solve(LoadSet(drives=(("lamp", 1.0, -1),)), charge)
    assert np.allclose(solution.open_circuit_v, SWEEP, rtol=0, atol=1e-12)
    return solution.consumers_a[0]


@pytest.mark.parametrize("shared", [False, True], ids=["each", "shared"])
@pytest.mark.parametrize("cell_ohm", [0.0, 0.18, 10.0])
@pytest.mark.parametrize("count", [1, 3, 6])
@pytest.mark.parametrize(
    ("switch", "within"), [("pin", 1e-4), ("nmos", 1e-4), ("npn", 5e-3)], ids=["pin", "nmos", "npn"]
)
def test_light_current_agrees_with_solver(switch, within, count, cell_ohm, shared):
    """Supply current over 3.0 .. 4.2 V within 0.01 % (pin, nmos) and 0.5 % (npn)."""
    ours = supply_a(gadget_with(count, switch, cell_ohm=cell_ohm, shared=shared))
    theirs = solver_supply_a(count, switch, cell_ohm=cell_ohm, shared=shared)
    assert np.max(np.abs(ours / theirs - 1.0)) < within
