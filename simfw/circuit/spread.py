"""What the spread of forward voltages does to a light: the worst part, and where it stays dark."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from simfw.circuit.circuit import Circuit
from simfw.gadget.quantities import quantities, with_values

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["LightSpread", "light_spread"]


End = Literal["low", "value", "high"]
# What more of a part makes of the light's current.
_PARTS = {
    "driver.current": "more",
    "resistor": "less",
    "switch.resistance": "less",
    "switch.on_resistance": "less",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LightSpread:
    """LED current (A) of a light at one terminal voltage, for the worst, typical and best part.

    Below `sure_above_v` the worst part is not guaranteed its rated current, whatever the resistor;
    below `dark_below_v` not even the smallest current of the datasheet: it may not light. Both are
    None where the file gives no range of forward voltage.
    """

    name: str
    voltage_v: float
    least_a: float
    nominal_a: float
    most_a: float
    sure_above_v: float | None
    dark_below_v: float | None


def light_spread(gadget: Gadget, name: str, voltage_v: float) -> LightSpread:
    """The spread of a light at a terminal voltage (V).

    Parts differ mostly by an offset of the forward voltage; the widest range of any datasheet
    point is taken as the offset of the whole curve. Resistor, what the switch has of one, and a
    driver's current are at their own ends.
    """
    points = gadget.lights[name].forward
    up = max(point.voltage_v.high - point.voltage_v.value for point in points)
    down = max(point.voltage_v.value - point.voltage_v.low for point in points)
    spread = up > 0.0 or down > 0.0
    lowest = min(points, key=lambda point: point.current_a.value)
    return LightSpread(
        name=name,
        voltage_v=voltage_v,
        least_a=_current(gadget, name, up, voltage_v, "low"),
        nominal_a=_current(gadget, name, 0.0, voltage_v, "value"),
        most_a=_current(gadget, name, -down, voltage_v, "high"),
        sure_above_v=max(point.voltage_v.high for point in points) if spread else None,
        dark_below_v=lowest.voltage_v.value + up if spread else None,
    )


def _current(
    gadget: Gadget, name: str, offset_v: float, voltage_v: float,
    end: End,
) -> float:
    points = gadget.lights[name].forward
    values = {
        f"lights.{name}.forward[{k}].voltage_v": point.voltage_v.value + offset_v
        for k, point in enumerate(points)
    }
    figures = quantities(gadget)
    ends: dict[End, End] = {"low": "high", "value": "value", "high": "low"}
    for part, at in _PARTS.items():
        figure = figures.get(f"lights.{name}.{part}")
        if figure is not None:
            values[f"lights.{name}.{part}"] = getattr(figure, end if at == "more" else ends[end])
    circuit = Circuit(with_values(gadget, values))
    return float(circuit.led_current_a(name, np.array([voltage_v]))[0])
