"""What connects a light to the cell: a controller pin, an nmos, or an npn transistor.

Pin and nmos are a resistance. The npn is the transport form of Ebers and Moll (1954, Proc. IRE 42,
1761) without ohmic parts other than `on_resistance`, its base fed through the base resistor from
a pin at the supply:

    Ic = Is [(X - 1) - (Y - 1)(1 + 1/Br)]      Ib = Is [(X - 1)/Bf + (Y - 1)/Br]

with X = exp(Vbe/Vt), Y = exp(Vbc/Vt). For a given collector current all the rest is explicit (the
base-collector junction gives a Wright omega), so the branch is solved for its current by Newton's
rule in one unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.diode import THERMAL_V, Diode
from simfw.circuit.omega import wright_omega

__all__ = ["Bipolar", "npn_branch"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bipolar:
    """An npn switch: base resistor (ohm), current gains, transport saturation current (A)."""

    base_ohm: float
    forward_gain: float
    reverse_gain: float
    saturation_a: float

    def at_collector(self, collector_a: Array, collector_drop_v: Array) -> tuple[Array, Array]:
        """Supply (V) and base current (A) for collector currents and the drop above the collector.

        `collector_drop_v` is what LEDs and resistors take between supply and collector. Derived
        from the two equations above: Ib Rb + Vbc = drop has the unknown Y alone.
        """
        is_, bf, br = self.saturation_a, self.forward_gain, self.reverse_gain
        mix = is_ * ((1.0 + 1.0 / br) / bf + 1.0 / br)
        scale = THERMAL_V / (mix * self.base_ohm)
        rest = collector_drop_v - collector_a * self.base_ohm / bf + mix * self.base_ohm
        y = scale * wright_omega(rest / THERMAL_V - np.log(scale))
        base_a = mix * (y - 1.0) + collector_a / bf
        x = 1.0 + collector_a / is_ + (1.0 + 1.0 / br) * (y - 1.0)
        base_v = THERMAL_V * np.log(np.maximum(x, 1e-300))
        return np.asarray(base_a * self.base_ohm + base_v), np.asarray(base_a)


def npn_branch(
    nodes_v: Array, diode: Diode, count: float, each_ohm: float, common_ohm: float, npn: Bipolar
) -> tuple[Array, Array, Array, Array]:
    """Collector current, base current (A) and their slopes (S) per supply voltage.

    `count` equal LED branches hang on one npn; `each_ohm` is in each branch, `common_ohm` in the
    common path. `nodes_v` rises from 0 V, where both currents are 0.
    """

    def supply(log_current: Array) -> tuple[Array, Array]:
        collector = np.exp(log_current)
        drop = diode.voltage_v(collector / count) + collector * (each_ohm / count + common_ohm)
        return npn.at_collector(collector, drop)

    path_ohm = (each_ohm + diode.series_ohm) / count + common_ohm
    logs = np.linspace(
        np.log(diode.saturation_a * count * 1e-6), np.log(nodes_v[-1] / max(path_ohm, 1e-3)), 4000
    )
    # The supply rises strictly with the current; rounding near 0 V must not upset the inversion.
    known_v = np.maximum.accumulate(supply(logs)[0])
    wanted = nodes_v[1:]
    unknown = np.interp(wanted, known_v, logs)
    half = 1e-4
    for _ in range(12):
        above, below = supply(unknown + half), supply(unknown - half)
        slope = np.maximum((above[0] - below[0]) / (2.0 * half), 1e-12)
        step = (supply(unknown)[0] - wanted) / slope
        unknown = unknown - np.clip(step, -1.0, 1.0)
        if float(np.max(np.abs(step))) < 1e-11:
            break
    collector = np.exp(unknown)
    base = np.maximum(supply(unknown)[1], 0.0)
    base_slope = (above[1] - below[1]) / (2.0 * half * slope)
    zero = np.zeros(1)
    return (
        np.concatenate([zero, collector]),
        np.concatenate([zero, base]),
        np.concatenate([zero, collector / slope]),
        np.concatenate([zero, base_slope]),
    )
