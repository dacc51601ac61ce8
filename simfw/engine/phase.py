"""Phases: one combination of region states in one electrical context."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from simfw.circuit.circuit import ChargerMode, LoadSet
from simfw.engine.clock import Clock, Tally, below

__all__ = ["Phase", "Settings", "Verdict"]


Verdict = tuple[float, float, bool, frozenset[float]]


@dataclass(slots=True, eq=False)
class Phase:
    """One combination of region states in one electrical context.

    `marks` are the charges at which something happens, rising. `opens_at`: where the protection
    opens, as told by `clock.below` (a charge that is in it counts as below). `steps` of the
    charger: whether it is taken below or not below the turns that follow, and the mode it leads to.
    `fed_at`: where a charger feeds the cell while the protection is open, as the steps are told.
    `ticking`: the regions that may come round by their own dwells. `lump_c` collects wake-up
    charges spent in it. `verdicts` holds, of each expression that is watched, between which charges
    it is what, and where it turns over; `quiet` two charges, low <= charge < high, between which
    neither protection nor charger has anything to do, once that was looked at.
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
    fed_at: tuple[float, ...]
    ticking: tuple[int, ...]
    tally: Tally = field(default_factory=Tally)
    lump_c: float = 0.0
    verdicts: dict[int, Verdict] = field(default_factory=dict)
    quiet: tuple[float, float] = (1.0, 0.0)

    @property
    def ticks(self) -> bool:
        """Whether any region may come round by its own dwells."""
        return bool(self.ticking)

    def anew(
        self, states: tuple[int, ...], names: tuple[str, ...], bars: int | None,
        ticking: tuple[int, ...],
    ) -> Phase:
        """What is switched on in these states: nothing has been counted yet."""
        return Phase(
            states, names, self.loads, self.clock, self.levels, bars, self.marks,
            self.opens_at, self.steps, self.restart_at, self.fed_at, ticking,
        )

    def opens(self, charge: float) -> bool:
        """Whether the protection opens at `charge`."""
        return bisect_left(self.opens_at, charge) % 2 == 0

    @property
    def open_at(self) -> float:
        """The charge at which the protection opens while a full cell is emptied."""
        return self.opens_at[-1] if len(self.opens_at) % 2 else math.inf

    def step(self, charge: float) -> ChargerMode | None:
        """The mode to which the charger goes over at `charge`."""
        for low, at, to in self.steps:
            if below(at, charge) == low:
                return to
        return None

    def is_quiet(self, charge: float) -> bool:
        """Whether protection and charger have nothing to do at `charge`; `quiet` holds it then."""
        low, high = self.quiet
        if low <= charge < high:
            return True
        if self.opens(charge) or charge >= self.restart_at or self.step(charge) is not None:
            return False
        self.quiet = self.within(charge)
        return True

    def within(self, charge: float) -> tuple[float, float]:
        """Between which charges nothing turns over, low <= charge < high, where it does not open.

        The marks around, but the lower one only where it does not open there: it is the one thing
        that turns over above its mark and not at it.
        """
        low, high = self.bounds(charge)
        return (math.nextafter(low, math.inf) if self.opens(low) else low), high

    def bounds(self, charge: float) -> tuple[float, float]:
        """The marks around `charge`: low <= charge < high."""
        k = bisect_right(self.marks, charge)
        low = self.marks[k - 1] if k else -math.inf
        high = self.marks[k] if k < len(self.marks) else math.inf
        return low, high


# Phases that nothing was counted in, for all simulations of a system: by the levels that are
# watched, and then by the state of everything.
Settings = dict[tuple[tuple[float, ...], ...], dict[tuple[object, ...], Phase]]
