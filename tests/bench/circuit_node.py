"""How much faster the tabulated node is than a bracketing solver on the closed forms.

    python -m tests.bench.circuit_node

Prints ratios of one run on this machine; both sides give the same currents.
"""

from __future__ import annotations

import time
import tomllib

import numpy as np
from scipy.optimize import brentq

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.light import light_channel
from simfw.gadget.model import Gadget

NAMES = ("one", "two", "three", "four")
TEXT = """
[gadget]
name = "Four lights"
[cell]
curve = "lco"
capacity = "650 mAh"
resistance = "0.5 Ω"
""" + "".join(
    f"""
[lights.{name}]
leds = {count}
forward = ["2.75 V @ 5 mA", "3.0 V @ 20 mA"]
resistor = "22R"
switch = {{ kind = "nmos", on_resistance = "60 mΩ" }}
"""
    for count, name in enumerate(NAMES, start=1)
)
CHARGES = np.linspace(0.0, 1.0, 1000)


def by_bracketing(gadget: Gadget, circuit: Circuit) -> np.ndarray:
    """Total current (A) per charge: a root by brentq over the sum of the closed forms."""
    channels = [light_channel(name, light) for name, light in gadget.lights.items()]

    def current(volts: float) -> float:
        return sum(
            c.count * float(c.diode.current_a(volts, c.each_ohm + c.count * c.switch_ohm))
            for c in channels
        )

    total = []
    for rest in circuit.open_circuit_v(CHARGES):
        volts = brentq(lambda v, rest=rest: v - rest + 0.5 * current(v), 0.0, rest, xtol=1e-10)
        total.append(current(volts))
    return np.array(total)


def main() -> None:
    """Time both and print."""
    gadget = Gadget.model_validate(tomllib.loads(TEXT))
    circuit = Circuit(gadget)
    loads = LoadSet(drives=tuple((name, 1.0, -1) for name in sorted(NAMES)))
    circuit.solve(loads, CHARGES)
    rounds = 50
    start = time.perf_counter()
    for _ in range(rounds):
        ours = circuit.solve(loads, CHARGES).consumers_a.sum(axis=0)
    fast = (time.perf_counter() - start) / rounds
    start = time.perf_counter()
    theirs = by_bracketing(gadget, circuit)
    slow = time.perf_counter() - start
    worst = float(np.max(np.abs(ours / theirs - 1.0)))
    print(f"1000 charges, four lights: {fast * 1e3:.2f} ms, bracketing {slow * 1e3:.0f} ms")
    print(f"ratio {slow / fast:.0f}, greatest difference {worst:.1e}")


if __name__ == "__main__":
    main()
