"""LED, resistor and switch in a general circuit solver (neospice) and in simfw, side by side.

The same diode and transistor parameters go into the solver's netlist and into a gadget file.
Needs the package `neospice`.
"""

from __future__ import annotations

import tomllib

import numpy as np
from numpy.typing import NDArray

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.diode import fit_diode
from simfw.gadget.model import Gadget

Array = NDArray[np.float64]

POINTS = [(2.75, 1e-3), (3.20, 20e-3)]
DIODE = fit_diode(POINTS)
MODELS = "\n".join(
    [
        f".model dl D(is={DIODE.saturation_a!r} n=2 rs={DIODE.series_ohm!r})",
        ".model sw SW(vt=0.5 vh=0 ron=0.06 roff=1e9)",
        ".options temp=25 tnom=25 gmin=1e-15",
    ]
)
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
CASES = [(count, switch) for switch in SWITCHES for count in (1, 3, 6)]


def gadget_with(count: int, switch: str, cell_ohm: float, shared: bool) -> Gadget:
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


def solver_supply_a(count: int, switch: str, cell_ohm: float, shared: bool) -> Array:
    """The supply current (A) that the solver finds over the sweep."""
    import neospice

    branches = []
    for k in range(count):
        node = "t" if shared else f"b{k}"
        resistor = "" if shared else f"R{k}x a b{k} 22\n"
        branches.append(f"{resistor}D{k} {node} c dl")
    if shared:
        branches.append("Rs a t 22")
    source = f"V1 s 0 3\nR1 s a {cell_ohm}" if cell_ohm else "V1 a 0 3"
    sweep = f".dc V1 {SWEEP[0]} {SWEEP[-1]} {SWEEP[1] - SWEEP[0]}"
    net = ["one light", source, *branches, SWITCHES[switch][1], MODELS, sweep, ".end", ""]
    result = neospice.run("\n".join(net), reltol=1e-9, abstol=1e-15, vntol=1e-12).dc_sweep
    assert np.allclose(result.sweep_values, SWEEP)
    return -np.asarray(result.current("v1"))


def our_supply_a(count: int, switch: str, cell_ohm: float, shared: bool) -> Array:
    """The supply current (A) that simfw finds at the same open-circuit voltages."""
    circuit = Circuit(gadget_with(count, switch, cell_ohm, shared))
    charge = np.interp(SWEEP, circuit.open_circuit_v(circuit.charge_nodes), circuit.charge_nodes)
    solution = circuit.solve(LoadSet(drives=(("lamp", 1.0, -1),)), charge)
    assert np.allclose(solution.open_circuit_v, SWEEP, rtol=0, atol=1e-12)
    return solution.consumers_a[0]


def worst_error(count: int, switch: str) -> float:
    """Greatest relative difference over the sweep, cell resistances and both kinds of resistor."""
    return max(
        float(np.max(np.abs(our_supply_a(*case) / solver_supply_a(*case) - 1.0)))
        for case in (
            (count, switch, cell_ohm, shared)
            for cell_ohm in (0.0, 0.18, 10.0)
            for shared in (False, True)
        )
    )


# --- averages over time: one LED with 22 ohm on a stiff 3.7 V

SUPPLY_V = 3.7
STORAGE_MODEL = ".model qn NPN(is=1e-14 bf=200 br=2 tf=0.4n tr=240n cje=8p cjc=4p)"


def _transient(lines: list[str], step: float, stop: float) -> tuple[Array, Array]:
    import neospice

    net = ["transient", f"V1 a 0 {SUPPLY_V}", "R1 a b 22", "D1 b c dl", *lines, MODELS,
           f".tran {step} {stop}", ".end", ""]  # fmt: skip
    result = neospice.run("\n".join(net), reltol=1e-4).transient
    return np.asarray(result.time), -np.asarray(result.current("v1"))


def _mean(times: Array, amps: Array, start: float) -> float:
    late = times >= start
    return float(np.trapezoid(amps[late], times[late]) / (times[late][-1] - times[late][0]))


def ideal_switch_mean_a(hertz: float, duty: float, gate: float | None = None) -> float:
    """Mean LED current (A) behind an ideal switch at a frequency and duty.

    With `gate`, a second switch in series lets bursts of 16 periods through every 32.
    """
    period = 1.0 / hertz
    edge = period / 2000
    lines = [f"Vg g 0 PULSE(0 1 0 {edge} {edge} {duty * period - edge} {period})"]
    if gate is None:
        lines.append("S1 c 0 g 0 sw")
        times, amps = _transient(lines, period / 400, 8 * period)
        return _mean(times, amps, 4 * period)
    long = 32 * period
    lines += [
        "S1 c d g 0 sw", "S2 d 0 h 0 sw",
        f"Vh h 0 PULSE(0 1 0 {edge} {edge} {gate * long - edge} {long})",
    ]  # fmt: skip
    times, amps = _transient(lines, period / 200, 2 * long)
    return _mean(times, amps, long)


def _npn_lines(hertz: float, duty: float) -> list[str]:
    period = 1.0 / hertz
    on = duty * period - 20e-9
    return [
        "Q1 c q 0 qn", "Rb g q 1000", STORAGE_MODEL,
        f"Vg g 0 PULSE(0 {SUPPLY_V} 0 20n 20n {on} {period})",
    ]  # fmt: skip


def npn_mean_a(hertz: float, duty: float) -> float:
    """Mean LED current (A) behind a saturated npn that stores charge."""
    period = 1.0 / hertz
    times, amps = _transient(_npn_lines(hertz, duty), period / 400, 20 * period)
    return _mean(times, amps, 10 * period)


def npn_storage_s() -> float:
    """How long that npn carries on (s) after its base is let go, from one long pulse."""
    period = 5e-3
    times, amps = _transient(_npn_lines(1 / period, 0.5), period / 400, 2 * period)
    window = (times > 1.25 * period) & (times < 1.9 * period)
    half = amps.max() / 2
    return float(times[window][np.argmax(amps[window] < half)] - 1.5 * period)


def our_mean_a(switch: str, duty: float) -> float:
    """Mean LED current (A) by simfw for a light on a stiff 3.7 V."""
    circuit = Circuit(gadget_with(1, switch, 0.0, False))
    charge = np.interp(
        SUPPLY_V, circuit.open_circuit_v(circuit.charge_nodes), circuit.charge_nodes
    )
    loads = LoadSet(drives=(("lamp", duty, -1),))
    return float(circuit.light_current_a("lamp", loads, charge)[0])


def our_burst_mean_a(duty: float, storage_s: float | None) -> float:
    """Mean emitter supply current (A) less the base's, by simfw, for the npn at 38 kHz."""
    storage = "" if storage_s is None else f', storage = "{storage_s * 1e9:.0f} ns"'
    switch = SWITCHES["npn"][0].replace(" }", storage + " }")
    text = f"""
[gadget]
name = "One emitter"
[cell]
curve = "nmc"
capacity = "1 Ah"
[proximity.wave]
carrier = "38 kHz"
duty = "50 %"
burst = 16
[proximity.wave.emitter]
forward = ["2.75 V @ 1 mA", "3.20 V @ 20 mA"]
resistor = "22R"
switch = {switch}
"""
    circuit = Circuit(Gadget.model_validate(tomllib.loads(text)))
    charge = np.interp(
        SUPPLY_V, circuit.open_circuit_v(circuit.charge_nodes), circuit.charge_nodes
    )
    drawn = circuit.solve(LoadSet(drives=(("wave.emitter", duty, -1),)), charge)
    whole = circuit.solve(LoadSet(drives=(("wave.emitter", 1.0, -1),)), charge)
    on_a = circuit.emitter_current_a("wave", SUPPLY_V)
    return float(drawn.consumers_a[0, 0] / whole.consumers_a[0, 0] * on_a)
