"""What is switched on, and what a circuit makes of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.charger import ChargerMode

__all__ = ["LoadSet", "Solution"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSet:
    """What is switched on during an interval; hashable, the key of the charge clock.

    `drives` holds (name, duty, segments) of every light, load, emitter (`NAME.emitter`) and
    receiver (`NAME.receiver`) that is on, sorted by name; segments is -1 where it has no meaning.
    `protected` means that the protection is open: nothing but its leakage and self-discharge
    draws, and only the charger may move the cell. Where a power path feeds the loads (a charger
    that is not "off" has USB), they draw all the same.
    """

    drives: tuple[tuple[str, float, int], ...] = ()
    controller: Literal["awake", "asleep", "off"] = "asleep"
    charger: ChargerMode = "off"
    protected: bool = False
    temperature_c: float = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """One load set solved over n charges.

    `consumers_a[k, i]`: mean current of consumer k at charge i (A, >= 0; k as in
    `Circuit.consumers`). `charger_a[i]`: charger output (A), on a power path with all that the
    input gives the consumers. `voltage_v[i]`: terminal voltage in the lowest phase of the PWM
    period. `open_circuit_v[i]`. `supply_v[i]`: what the consumers have in that phase, which is the
    terminal voltage but on a power path. `short`: whether the cell gives anything on it, at each i.
    """

    consumers_a: Array
    charger_a: Array
    voltage_v: Array
    open_circuit_v: Array
    supply_v: Array
    short: NDArray[np.bool_]
