"""How the controller measures its own supply: the reference converted against the supply.

count = floor(2^bits Vref / V), and the firmware takes V for 2^bits Vref,nominal / count (Microchip,
"Measure VCC/Battery Voltage Without Using I/O Pin").
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simfw.gadget.model import Controller

__all__ = ["Converter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Converter:
    """The converter. `steps` is 2^bits, None for an endless resolution.

    `nominal_v` is what the firmware believes, `true_v` what the reference is; both None: exact.
    """

    nominal_v: float | None
    true_v: float | None
    steps: int | None

    @classmethod
    def of(cls, controller: Controller | None, reference_v: float | None = None) -> Converter:
        """The converter of a controller; without one, or without a reference, it is exact."""
        if controller is None or controller.reference is None:
            return cls(nominal_v=None, true_v=None, steps=None)
        nominal = controller.reference.value
        return cls(
            nominal_v=nominal,
            true_v=nominal if reference_v is None else reference_v,
            steps=None if controller.adc_bits is None else 2**controller.adc_bits,
        )

    def count(self, supply_v: float) -> int:
        """The count that the converter yields at a supply (V); needs bits and a reference."""
        assert self.true_v is not None
        assert self.steps is not None
        if supply_v <= self.true_v:
            return self.steps - 1
        return min(math.floor(self.steps * self.true_v / supply_v), self.steps - 1)

    def measured_v(self, supply_v: float) -> float:
        """What the firmware takes the supply (V) for; infinite when the count is 0."""
        if self.nominal_v is None or self.true_v is None:
            return supply_v
        if self.steps is None:
            return supply_v * self.nominal_v / self.true_v
        count = self.count(supply_v)
        return self.steps * self.nominal_v / count if count else math.inf

    def readings_uv(self, near_v: float) -> tuple[int, ...]:
        """What the counts around a reading (V) are taken for, in whole microvolts, rounded down so
        that each yields its count again; none without known bits and reference.
        """
        if self.nominal_v is None or self.steps is None or not 0 < near_v < math.inf:
            return ()
        codes = self.steps * self.nominal_v
        count = math.floor(codes / near_v)
        return tuple(math.floor(codes / one * 1e6) for one in range(count - 1, count + 3)
                     if 1 <= one < self.steps)  # fmt: skip

    def step_v(self, measured_v: float) -> float:
        """How far two counts lie apart at a reading (V); 0 for an endless resolution."""
        if self.nominal_v is None or self.steps is None:
            return 0.0
        return measured_v**2 / (self.steps * self.nominal_v)

    def true_v_for(self, measured_v: float) -> float:
        """The lowest supply (V) that is measured as at least `measured_v`."""
        if self.nominal_v is None or self.true_v is None:
            return measured_v
        if measured_v <= 0.0:
            return 0.0
        if self.steps is None:
            guess = measured_v * self.true_v / self.nominal_v
        else:
            most = self.steps * self.nominal_v / measured_v
            count = math.floor(most)
            if count and self.steps * self.nominal_v / count < measured_v:
                count -= 1  # rounding of the division above
            if count >= self.steps - 1:
                return 0.0
            # floor(x) <= count as long as x < count + 1: the supply is just above this.
            guess = self.steps * self.true_v / (count + 1)
        while self.measured_v(guess) < measured_v:
            guess = math.nextafter(guess, math.inf)
        return guess
