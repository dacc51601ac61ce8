"""Phases: one combination of region states in one electrical context."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field

from simfw.circuit.circuit import ChargerMode, LoadSet
from simfw.engine.clock import Clock, Tally

__all__ = ["Phase", "Settings"]


@dataclass(slots=True, eq=False)
class Phase:
    """One combination of region states in one electrical context.

    `marks` are the charges at which something happens, rising. `open_at`: the charge at or below
    which the protection opens. `ticks`: whether any region may come round by its own dwells.
    `lump_c` collects wake-up charges spent in it.
    """

    states: tuple[int, ...]
    names: tuple[str, ...]
    loads: LoadSet
    clock: Clock
    levels: tuple[float, ...]
    bars: int | None
    marks: list[float]
    open_at: float
    steps: tuple[tuple[bool, float, ChargerMode], ...]
    restart_at: float
    ticks: bool
    tally: Tally = field(default_factory=Tally)
    lump_c: float = 0.0
    verdicts: dict[int, bool] = field(default_factory=dict)

    def anew(self) -> Phase:
        """The same phase as another simulation begins with it: nothing has been counted yet."""
        return Phase(
            self.states, self.names, self.loads, self.clock, self.levels, self.bars, self.marks,
            self.open_at, self.steps, self.restart_at, self.ticks,
        )

    def bounds(self, charge: float) -> tuple[float, float]:
        """The marks around `charge`: low <= charge < high."""
        k = bisect_right(self.marks, charge)
        low = self.marks[k - 1] if k else -math.inf
        high = self.marks[k] if k < len(self.marks) else math.inf
        return low, high


# Phases that nothing was counted in, for all simulations of a system: by the levels that are
# watched, and then by the state of everything.
Settings = dict[tuple[tuple[float, ...], ...], dict[tuple[object, ...], Phase]]
