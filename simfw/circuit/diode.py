"""Light-emitting diodes: from datasheet points to a law, and the current of one branch.

The law is the diode equation of Shockley (1949, Bell Syst. Tech. J. 28, 435) with an emission
coefficient and a series resistance, V = n Vt ln(1 + I/Is) + Rs I. With a resistance in series it
is solved in closed form by the Wright omega function (Banwell and Jayakumar 2000, Electron. Lett.
36, 291, give the Lambert W form of the same solution).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simfw.circuit.omega import wright_omega

__all__ = ["THERMAL_V", "Diode", "NotADiodeError", "fit_diode"]

Array = NDArray[np.float64]

# k T / q at 298.15 K with the exact constants of the SI (2019).
THERMAL_V = 1.380649e-23 * 298.15 / 1.602176634e-19

TWO_POINT_EMISSION = 2.0

# Beyond so many thermal steps the saturation current is no longer a number above zero.
_MOST_STEPS = 600.0


class NotADiodeError(ValueError):
    """The points do not rise as those of a diode do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diode:
    """A diode's law: saturation current (A), emission coefficient, series resistance (ohm)."""

    saturation_a: float
    emission: float
    series_ohm: float

    def voltage_v(self, current_a: Array | float) -> Array:
        """Forward voltage (V) at a current (A, >= 0), element by element."""
        current = np.asarray(current_a, dtype=float)
        slope = self.emission * THERMAL_V
        ratio = np.log1p(current / self.saturation_a)
        return np.asarray(slope * ratio + current * self.series_ohm)

    def slope_ohm(self, current_a: Array | float) -> Array:
        """Differential resistance dV/dI (ohm) at a current (A, >= 0)."""
        current = np.asarray(current_a, dtype=float)
        slope = self.emission * THERMAL_V
        return np.asarray(slope / (current + self.saturation_a) + self.series_ohm)

    def current_a(self, voltage_v: Array | float, extra_ohm: float) -> Array:
        """Current (A) with `extra_ohm` in series across a voltage (V, >= 0); 0 at 0 V."""
        voltage = np.asarray(voltage_v, dtype=float)
        slope = self.emission * THERMAL_V
        total = max(extra_ohm + self.series_ohm, 1e-6)  # a bare diode has no closed form
        drop = self.saturation_a * total
        omega = wright_omega(np.log(drop / slope) + (voltage + drop) / slope)
        return np.asarray(np.maximum(slope / total * omega - self.saturation_a, 0.0))


def fit_diode(points: Sequence[tuple[float, float]]) -> Diode:
    """Fit the law to datasheet points (V, A).

    Two points: emission coefficient 2, the points give saturation current and series resistance;
    were that negative, it is 0 and the emission coefficient is solved for. Three and more: least
    squares of the voltages in all three (the law is linear in n, n ln Is and Rs where the current
    is far above Is, which every datasheet point is). Raises `NotADiodeError` if no rising law fits.
    """
    ordered = sorted(points, key=lambda point: point[1])
    volts = np.array([point[0] for point in ordered])
    amps = np.array([point[1] for point in ordered])
    if len(ordered) < 2:
        raise NotADiodeError("two points at least are needed")
    if not np.all(amps > 0.0) or not np.all(volts > 0.0):
        raise NotADiodeError("every point needs a voltage and a current above zero")
    if not np.all(np.diff(amps) > 0.0) or not np.all(np.diff(volts) > 0.0):
        raise NotADiodeError("the voltage has to rise with the current")
    if len(ordered) == 2:
        return _through_two(volts, amps)
    return _least_squares(volts, amps)


def _through_two(volts: Array, amps: Array) -> Diode:
    """Through both points exactly; the fixed point is reached at once, Is being tiny."""
    emission, series, saturation = TWO_POINT_EMISSION, 0.0, 0.0
    for _ in range(50):
        ratio = float(np.log((amps[1] + saturation) / (amps[0] + saturation)))
        series = float((volts[1] - volts[0] - emission * THERMAL_V * ratio) / (amps[1] - amps[0]))
        if series < 0.0:
            series = 0.0
            emission = float((volts[1] - volts[0]) / (THERMAL_V * ratio))
        inner = float(volts[0]) - series * float(amps[0])
        if inner <= 0.0:
            raise NotADiodeError("the line through the points passes below zero: not a diode")
        if inner > _MOST_STEPS * emission * THERMAL_V:
            raise NotADiodeError("the voltage is far beyond that of one diode")
        before, saturation = saturation, float(amps[0] / np.expm1(inner / (emission * THERMAL_V)))
        if abs(saturation - before) <= 1e-15 * saturation:
            break
    return Diode(saturation_a=saturation, emission=emission, series_ohm=series)


def _least_squares(volts: Array, amps: Array) -> Diode:
    """Linear least squares in emission, emission * ln(saturation) and series resistance."""
    ones = np.ones_like(amps)
    logs = THERMAL_V * np.log(amps)
    (emission, offset, series), *_ = np.linalg.lstsq(
        np.column_stack([logs, ones, amps]), volts, rcond=None
    )
    if series < 0.0:
        series = 0.0
        (emission, offset), *_ = np.linalg.lstsq(np.column_stack([logs, ones]), volts, rcond=None)
    if emission < 1.0:
        # Points so straight that the resistance explains them all: an ideal junction behind it.
        emission = 1.0
        (offset, series), *_ = np.linalg.lstsq(
            np.column_stack([ones, amps]), volts - emission * logs, rcond=None
        )
        series = max(series, 0.0)
    saturation = float(np.exp(-offset / (emission * THERMAL_V)))
    if not 0.0 < saturation < float(amps[0]):
        raise NotADiodeError("no diode passes near these points")
    return Diode(saturation_a=saturation, emission=float(emission), series_ohm=float(series))
