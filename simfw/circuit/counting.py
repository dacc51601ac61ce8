"""A gauge that counts charge: what its counter sees, and what it makes of it.

The counter stands between the cell with its protection and everything else. It sees all that the
gadget draws and all that the charger gives, exactly; the leakage of the protection and the cell's
self-discharge flow past it. Its count is the share of the `capacity` of `[gauge]` that is left by
this; the register ends at 0 and at 1. It is 1 when charging has completed, and `power_up` when the
controller gets power (a counter of coulombs works so; common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simfw.circuit.cell import CellModel, cell_model

if TYPE_CHECKING:
    from simfw.gadget.model import Gadget

__all__ = ["Counter", "CountingDrift", "counter_of", "counting_drift"]

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Counter:
    """The counter of one gadget.

    `capacity_c`: what the firmware takes for a full cell (C). `ratio`: the cell's capacity in such.
    `power_up`: the count (0..1) at power-up. `leakage_a` flows past the counter, and
    `self_discharge_a` at charge 1, in proportion to the charge below it (A).
    """

    capacity_c: float
    ratio: float
    power_up: float
    leakage_a: float
    self_discharge_a: float

    def counted_at(self, charge: float) -> float:
        """The count of a gauge that has seen the whole way from a full cell to `charge` (0..1)."""
        return min(max(1.0 - (1.0 - charge) * self.ratio, 0.0), 1.0)

    def charge_at(self, counted: float) -> float:
        """The charge at which such a gauge counts `counted` (0..1; below 0 where it never does)."""
        return 1.0 - (1.0 - counted) / self.ratio

    def unseen_a(self, charge: float) -> float:
        """What flows past the counter at a charge (A)."""
        return self.leakage_a + self.self_discharge_a * charge

    def moved(self, change: float, time_s: float, charge_s: float) -> float:
        """By how much the count moves while the charge moves by `change` within `time_s`.

        `charge_s`: the integral of the charge over that time (s).
        """
        past_c = self.leakage_a * time_s + self.self_discharge_a * charge_s
        return change * self.ratio + past_c / self.capacity_c


def counter_of(gadget: Gadget, cell: CellModel) -> Counter | None:
    """The counter of a gadget with this cell, None where its gauge counts nothing."""
    gauge = gadget.gauge
    if gauge is None or gauge.capacity is None or gauge.power_up is None:
        return None
    leakage = gadget.cell.leakage
    return Counter(
        capacity_c=gauge.capacity.value,
        ratio=cell.capacity_c / gauge.capacity.value,
        power_up=gauge.power_up.value,
        leakage_a=0.0 if leakage is None else leakage.value,
        self_discharge_a=float(cell.self_discharge_a(np.ones(1))[0]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CountingDrift:
    """By how much a gauge that counts charge goes wrong.

    `unseen_per_day`: the share of its capacity figure that leaves a full cell past the count in a
    day (leakage of the protection, self-discharge). `scale`: by which factor it counts too much of
    a real cell's charge: the cell's least and greatest capacity over the figure.
    """

    unseen_per_day: float
    scale: tuple[float, float]


def counting_drift(gadget: Gadget) -> CountingDrift | None:
    """Drift of `method = "counting"`, None where the gauge counts nothing."""
    counter = counter_of(gadget, cell_model(gadget))
    if counter is None:
        return None
    capacity = gadget.cell.capacity
    return CountingDrift(
        unseen_per_day=counter.unseen_a(1.0) * DAY_S / counter.capacity_c,
        scale=(capacity.low / counter.capacity_c, capacity.high / counter.capacity_c),
    )
