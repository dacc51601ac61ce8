"""The measured pouch cell's discharges, and the same by simfw from its 0.1C curve.

The built-in curve `lco` comes from the 0.1C discharge and its 73 mohm from 0.1C against 0.5C, so
the 0.5C times are partly fitted; those at 1C are predictions.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simfw.circuit import Circuit, LoadSet
from simfw.circuit.endurance import discharge
from simfw.gadget.model import Gadget
from tests.circuit.derive_curves import RATED_AH, SERIES_OHM, pouch_capacity_c

CELLS = Path(__file__).parents[1] / "data" / "cells"
FILES = {0.1: "0.1C", 0.5: "0.5C", 1.0: "1C"}


def measured(rate: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Time (s) and voltage (V) of a measured discharge."""
    table = np.loadtxt(CELLS / f"lco_pouch_2280mAh_{FILES[rate]}.txt")
    return table[:, 0], table[:, 1]


def measured_hours(rate: float, volts: float) -> float:
    """Hours until the measured voltage first falls below `volts`, linear between samples."""
    times, seen = measured(rate)
    last = int(np.argmax(seen < volts)) if np.any(seen < volts) else seen.size - 1
    return float(np.interp(-volts, -seen[last - 1 : last + 1], times[last - 1 : last + 1]) / 3600)


def our_hours(rate: float, volts: float, ohm: float = SERIES_OHM) -> float:
    """The same by simfw."""
    text = f"""
[gadget]
name = "Pouch cell"
[cell]
curve = "lco"
capacity = "{pouch_capacity_c() / 3600.0:.6f} Ah"
resistance = "{ohm} Ω"
[loads.lamp]
current = "{rate * RATED_AH:.6f} A"
"""
    circuit = Circuit(Gadget.model_validate(tomllib.loads(text)))
    found = discharge(circuit, LoadSet(drives=(("lamp", 1.0, -1),)), stop_v=volts).run_time_s
    assert found is not None
    return found / 3600.0


def slow_resistance_ohm() -> float:
    """Median resistance (ohm) between the 0.1C and the 0.5C discharge over 10 to 90 % of charge."""
    slow, fast = measured(0.1), measured(0.5)
    drawn = np.linspace(0.1, 0.9, 81) * pouch_capacity_c()
    low_a, high_a = 0.1 * RATED_AH, 0.5 * RATED_AH
    high_v = np.interp(drawn / low_a, *slow)
    low_v = np.interp(drawn / high_a, *fast)
    return float(np.median((high_v - low_v) / (high_a - low_a)))


def first_second_ohm() -> float:
    """Resistance (ohm) that the first second of the 1C discharge shows."""
    _, volts = measured(1.0)
    return float((volts[0] - volts[1]) / RATED_AH)
