"""The circuit of a gadget: what it draws, as a function of the cell's charge.

The engine asks three questions: `solve` (currents and voltages of one load set over a vector of
charges), `answers` (does the receiver answer with a hand at this distance) and `measured_v` (what
the controller's converter makes of a voltage). Everything else of the package serves these.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["ChargerMode", "Circuit", "LoadSet", "Solution"]

Array = NDArray[np.float64]
ChargerMode = Literal["off", "precharge", "fast", "complete", "fault"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSet:
    """What is switched on during an interval; hashable, the key of the charge clock.

    `drives` holds (name, duty, segments) of every light, load, emitter (`NAME.emitter`) and
    receiver (`NAME.receiver`) that is on, sorted by name; segments is -1 where it has no meaning.
    `protected` means that the protection is open: nothing but its leakage and self-discharge
    draws, and only the charger may move the cell.
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
    `Circuit.consumers`). `charger_a[i]`: charger output (A). `voltage_v[i]`: terminal voltage in
    the lowest phase of the PWM period. `open_circuit_v[i]`.
    """

    consumers_a: Array
    charger_a: Array
    voltage_v: Array
    open_circuit_v: Array


class Circuit:
    """To be filled in."""
