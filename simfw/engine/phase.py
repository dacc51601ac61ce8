"""Phases: one combination of region states in one electrical context."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from simfw.circuit.circuit import ChargerMode, LoadSet
from simfw.engine.clock import Clock, Tally

__all__ = ["Phase", "Settings"]


@dataclass(slots=True, eq=False)
class Phase:
    """One combination of region states in one electrical context.

    `marks` are the charges at which something happens, rising. `opens_at`: where the protection
    opens, as told by `clock.below` (a charge that is in it counts as below). `steps` of the
    charger: whether it is taken below or not below the turns that follow, and the mode it leads to.
    `ticks`: whether any region may come round by its own dwells. `lump_c` collects wake-up charges
    spent in it.
    """

    states: tuple[int, ...]
    names: tuple[str, ...]
    loads: LoadSet
    clock: Clock
    levels: tuple[float, ...]
    bars: int | None
    marks: list[float]
    opens_at: tuple[float, ...]
    steps: tuple[tuple[bool, tuple[float, ...], ChargerMode], ...]
    restart_at: float
    ticks: bool
    tally: Tally = field(default_factory=Tally)
    lump_c: float = 0.0
    verdicts: dict[int, bool] = field(default_factory=dict)

    def anew(self) -> Phase:
        """The same phase as another simulation begins with it: nothing has been counted yet."""
        return Phase(
            self.states, self.names, self.loads, self.clock, self.levels, self.bars, self.marks,
            self.opens_at, self.steps, self.restart_at, self.ticks,
        )

    def opens(self, charge: float) -> bool:
        """Whether the protection opens at `charge`."""
        return bisect_left(self.opens_at, charge) % 2 == 0

    @property
    def open_at(self) -> float:
        """The charge at which the protection opens while a full cell is emptied."""
        return self.opens_at[-1] if len(self.opens_at) % 2 else math.inf

    def bounds(self, charge: float) -> tuple[float, float]:
        """The marks around `charge`: low <= charge < high."""
        k = bisect_right(self.marks, charge)
        low = self.marks[k - 1] if k else -math.inf
        high = self.marks[k] if k < len(self.marks) else math.inf
        return low, high


# Phases that nothing was counted in, for all simulations of a system: by the levels that are
# watched, and then by the state of everything.
Settings = dict[tuple[tuple[float, ...], ...], dict[tuple[object, ...], Phase]]
