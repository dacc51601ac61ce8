"""The count of a gauge that counts charge, while a simulation runs.

The count moves with the charge but for what flows past the counter, so that it follows exactly from
the change of charge and from how long the charge clock dwelt where (see `circuit.counting`). It is
read at samples only: nothing happens when it passes a level between two of them. What was read in
a cycle holds while the count stays between the levels around it, so that a fold ends before that.
"""

from __future__ import annotations

from simfw.circuit.counting import Counter
from simfw.engine.clock import Clock, Tally
from simfw.engine.cycle import Cycle

__all__ = ["Count"]


class Count:
    """The register: `share` of the capacity figure that is left (0..1).

    `before` is what it was before the latest stretch of time, `turns` are the levels that were
    asked for in the present instant.
    """

    def __init__(self, counter: Counter, capacity_c: float) -> None:
        self.counter = counter
        self._capacity_c = capacity_c
        self.share = self.before = 1.0
        self.turns: set[float] = set()

    def begin_at(self, charge: float) -> None:
        """Stand as one that has counted since a full cell, which is now at `charge`."""
        self.share = self.counter.counted_at(charge)

    def power_up(self) -> None:
        """What the firmware knows when it gets power."""
        self.share = self.counter.power_up

    def anchor(self) -> None:
        """Charging has completed: the cell is full."""
        self.share = 1.0

    def below(self, level: float) -> bool:
        """Whether the count is below `level` now."""
        if 0.0 < level <= 1.0:  # no other can be passed
            self.turns.add(level)
        return self.share < level

    def move(self, clock: Clock, change: float, tally: Tally) -> None:
        """Let the charge change by `change` over what `tally` holds of `clock`."""
        self.before = self.share
        self._add(self.counter.moved(change, *clock.lasted(tally)))

    def take(self, charge_c: float) -> None:
        """Count a lump of charge that is drawn at once (C)."""
        self._add(-charge_c / self.counter.capacity_c)

    def _add(self, moved: float) -> None:
        self.share = min(max(self.share + float(moved), 0.0), 1.0)

    # -- folding ---------------------------------------------------------------------------------

    def within(self, cycle: Cycle, charge: float) -> bool:
        """Whether a period of `cycle` passes no level that was read in it, with room for another.

        At the ends of the register the sum of a period tells how it ends only where all its parts
        go the same way.
        """
        low, high = self._bounds(cycle, charge)
        return low <= self.share < high

    def _bounds(self, cycle: Cycle, charge: float) -> tuple[float, float]:
        counter, one_way = self.counter, 0
        moved = cycle.wakes * cycle.wake_c / counter.capacity_c
        for clock, seconds in cycle.times():
            pace = self._pace(clock, charge)
            moved += abs(pace) * seconds
            one_way |= 1 if pace < 0.0 else 2 if pace > 0.0 else 0
        low, high = cycle.count_low, cycle.count_high
        if one_way == 3 or (one_way == 2 and cycle.wakes and cycle.wake_c):
            low, high = max(low, 0.0), min(high, 1.0)
        return low + 2.0 * moved, high - 2.0 * moved

    def _pace(self, clock: Clock, charge: float) -> float:
        """How fast the count moves at `charge` (1/s)."""
        counter = self.counter
        return clock.rate(charge) * counter.ratio + counter.unseen_a(charge) / counter.capacity_c

    def periods(self, cycle: Cycle, clock: Clock, charge: float, most: int) -> int:
        """How many periods of a cycle may be folded from `charge`, `most` at the most.

        `clock` is that of the cycle's mean drain.
        """
        low, high = self._bounds(cycle, charge)
        if not low <= self.share < high:
            return 0
        period_s = cycle.period_ns * 1e-9

        def fits(count: int) -> bool:
            tally = Tally()
            change = clock.advance(charge, count * period_s, tally)
            assert change is not None
            moved = self.counter.moved(change, *clock.lasted(tally))
            down, up = min(moved, 0.0), max(moved, 0.0)
            ends = self._pace(clock, charge), self._pace(clock, charge + change)
            if ends[0] * ends[1] < 0.0:  # it turns on the way: as far as it may have got
                drawn = min(change, 0.0) * self.counter.ratio
                down, up = min(down, drawn), max(up, moved - drawn)
            return low <= self.share + down and self.share + up < high

        if fits(most):
            return most
        fitting, beyond = 0, most
        while beyond - fitting > 1:
            middle = (fitting + beyond) // 2
            if fits(middle):
                fitting = middle
            else:
                beyond = middle
        return fitting
