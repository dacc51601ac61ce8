"""The linear regulator that feeds the controller from the cell.

Its input current is that of the controller and of what the pins feed, since it is linear, and its
own. Above `output` + `drop` at the cell it holds its output; below, it is `drop` under the cell
(drop-out voltage of a linear regulator at the current of the gadget, as data sheets give it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from simfw.gadget.model import Controller

__all__ = ["NO_REGULATOR", "Regulator"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Regulator:
    """What the controller has of the cell's voltage; without a regulator all of it."""

    output_v: float = math.inf
    drop_v: float = 0.0

    @classmethod
    def of(cls, controller: Controller | None) -> Regulator:
        """The regulator of a controller, or none."""
        regulator = None if controller is None else controller.regulator
        if regulator is None:
            return cls()
        drop = regulator.drop
        return cls(output_v=regulator.output.value, drop_v=0.0 if drop is None else drop.value)

    @property
    def there(self) -> bool:
        """Whether there is one."""
        return self.output_v < math.inf

    def supply_v(self, cell_v: float) -> float:
        """The controller's supply (V) at a voltage of the cell (V)."""
        return min(self.output_v, max(cell_v - self.drop_v, 0.0))

    def below_cell_v(self, cell_v: Array) -> Array:
        """The supply (V) that there would be without the limit of `output_v`."""
        return np.maximum(cell_v - self.drop_v, 0.0)

    def cell_v_for(self, supply_v: float) -> float:
        """The least voltage of the cell (V) that gives a supply (V); infinite where none does."""
        if supply_v <= 0.0 or not self.there:
            return supply_v
        if supply_v > self.output_v:
            return math.inf
        cell_v = supply_v + self.drop_v
        while self.supply_v(cell_v) < supply_v:  # rounding
            cell_v = math.nextafter(cell_v, math.inf)
        return cell_v


NO_REGULATOR = Regulator()
"""The controller is connected to the cell itself."""
