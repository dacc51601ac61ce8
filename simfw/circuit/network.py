"""One node: all that hangs on the cell's terminals, solved together.

V = OCV - R (sum of currents at V - charger output). The currents rise with V, so the difference of
the two sides rises strictly and has one zero; Newton's rule inside a bracket finds it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.table import Current

__all__ = ["FADE_V", "Phase", "fade", "settle"]

Array = NDArray[np.float64]

# A load of constant current cannot draw it from nothing: below this voltage it falls to 0 in
# proportion, so that every node has a solution at or above 0 V.
FADE_V = 0.1

_TOLERANCE_V = 1e-9
_ROUNDS = 80


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of the PWM period in which the same things are on.

    `weight` is its share of the period, `constant_a` all constant currents, `conductance_s` all
    plain resistances, `curve` all tabulated branches, `on` the rows of the consumers that are on.
    """

    weight: float
    constant_a: float
    conductance_s: float
    curve: Current | None
    on: frozenset[int]

    def current(self, voltage_v: Array) -> tuple[Array, Array]:
        """Sum of the currents (A) and its slope (S)."""
        if self.curve is None:
            amps, slope = np.zeros_like(voltage_v), np.zeros_like(voltage_v)
        else:
            amps, slope = self.curve.with_slope(voltage_v)
        amps = amps + self.conductance_s * voltage_v + self.constant_a * fade(voltage_v)
        slope = slope + self.conductance_s
        if self.constant_a:
            slope = slope + np.where(voltage_v < FADE_V, self.constant_a / FADE_V, 0.0)
        return amps, slope


def fade(voltage_v: Array) -> Array:
    """The share of its current that a constant load still draws."""
    return np.clip(voltage_v / FADE_V, 0.0, 1.0)


def settle(phase: Phase, source_v: Array, resistance_ohm: Array | float) -> Array:
    """Node voltage (V) of a phase behind a source (V) with a resistance (ohm).

    `source_v` already holds what does not depend on the node voltage (charger, self-discharge).
    """
    resistance = np.asarray(resistance_ohm, dtype=float)
    if not np.any(resistance > 0.0):
        return source_v.copy()
    low, high = np.zeros_like(source_v), np.maximum(source_v, 0.0)
    volts = high.copy()
    for _ in range(_ROUNDS):
        amps, slope = phase.current(volts)
        off = volts - source_v + resistance * amps
        step = off / (1.0 + resistance * slope)
        low = np.where(off < 0.0, volts, low)
        high = np.where(off > 0.0, volts, high)
        moved = volts - step
        outside = (moved < low) | (moved > high)
        if outside.any():
            # Newton left the bracket: halve it there instead.
            moved = np.where(outside, 0.5 * (low + high), moved)
        change = float(np.max(np.abs(moved - volts), initial=0.0))
        volts = moved
        if change < _TOLERANCE_V:
            break
    return volts
