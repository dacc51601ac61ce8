"""A run once made, followed from other charges: what the regions did is looked up, not worked out.

What a run does depends on the charge only where something was read of the cell. As long as every
answer stays the same - the charge lies between the same marks in each stretch and at each instant -
the same loads are on for the same times, and only the charge clocks have to go on: the same clocks,
by the same steps, so that the charge comes out to the last bit as the run itself would have it.
Where an answer turns over the course ends, and the run has to be made.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from simfw.circuit.circuit import LoadSet
from simfw.engine.clock import Clock
from simfw.engine.cycle import Cycle

__all__ = ["Course", "Told"]

Told = Callable[[int, int, Sequence[tuple[LoadSet, int]], float, float], None]
"""Told of each stretch as `Observer.drove` is."""


@dataclass(slots=True)  # not frozen, all four: one is made at each instant, which takes longer then
class _Stretch:
    """One load set for `lasts_s`, while low < charge < high."""

    clock: Clock
    lasts_s: float
    low: float
    high: float
    start_ns: int
    end_ns: int
    times: tuple[tuple[LoadSet, int], ...]


@dataclass(slots=True)
class _Round:
    """Whole periods of a cycle from its instant `index` on."""

    cycle: Cycle
    index: int
    count: int
    start_ns: int
    end_ns: int
    times: tuple[tuple[LoadSet, int], ...]


@dataclass(slots=True)
class _Asked:
    """A moment whose answers are the same while low < charge and charge + drawn < high.

    `drawn` is what the instant has taken by then, as a share of the cell.
    """

    low: float
    high: float
    drawn: float


@dataclass(slots=True)
class _Drawn:
    """A lump of charge, as a share of the cell."""

    share: float


class Course:
    """What one simulation did, written down by it while it went by."""

    def __init__(self, charge: float = math.nan) -> None:
        """`charge` at which it begins: where it is told, `parts` learns of what was followed."""
        self._steps: list[_Stretch | _Round | _Asked | _Drawn] = []
        self.usable = True
        self._begins = charge
        self._low, self._high = -math.inf, math.inf

    def spoil(self) -> None:
        """Something happened whose time or kind depends on the charge itself."""
        self.usable = False
        self._steps.clear()

    def stretch(
        self, clock: Clock, loads: LoadSet, start_ns: int, end_ns: int, low: float, high: float
    ) -> None:
        """Time went by on one load set, and would have while low < charge < high."""
        if self.usable:
            self._steps.append(_Stretch(
                clock, (end_ns - start_ns) * 1e-9, low, high, start_ns, end_ns,
                ((loads, end_ns - start_ns),),
            ))

    def round(self, cycle: Cycle, index: int, count: int, start_ns: int) -> None:
        """Whole periods of a cycle went by."""
        if self.usable:
            end_ns = start_ns + count * cycle.period_ns
            self._steps.append(_Round(
                cycle, index, count, start_ns, end_ns, cycle.drives
            ))

    def asked(self, turns: Iterable[float], before: float, after: float) -> None:
        """In an instant it was asked on which side of the charges `turns` the charge is.

        It was `before` when the instant began and `after` when it ended, which is no more.
        """
        if not self.usable:
            return
        low, high = -math.inf, math.inf
        for mark in turns:
            if mark > after:
                if mark < high:
                    high = mark
            elif mark > low:
                low = mark
        if before >= high:
            self.spoil()
        elif low > -math.inf or high < math.inf:
            self._steps.append(_Asked(low, high, before - after))

    def drawn(self, share: float) -> None:
        """A lump of charge was taken."""
        if self.usable:
            self._steps.append(_Drawn(share))

    def parts(self, charge: float) -> bool:
        """Whether it is known that an answer turns over where it begins at `charge`.

        Of two charges the higher one stays the higher one on the same clocks: what is beyond a mark
        from one charge is beyond it from all that lie further off.
        """
        return not self._low < charge < self._high

    def _turns(self, charge: float) -> None:
        """An answer turns over where it begins at `charge`."""
        if charge < self._begins:
            self._low = max(self._low, charge)
        elif charge > self._begins:
            self._high = min(self._high, charge)

    def follow(self, charge: float, told: Told) -> float | None:
        """The charge at the end where it begins at `charge`; None where it would go another way."""
        moved = 0.0
        for step in self._steps:
            now = charge + moved
            if isinstance(step, _Stretch):
                if not step.low < now < step.high:
                    self._turns(charge)
                    return None
                change = step.clock.advance(now, step.lasts_s, None, step.low, step.high)
                if change is None:
                    self._turns(charge)
                    return None
                moved += change
                if step.end_ns > step.start_ns:
                    told(step.start_ns, step.end_ns, step.times, now, charge + moved)
            elif isinstance(step, _Asked):
                if not step.low < now < step.high - step.drawn:
                    self._turns(charge)
                    return None
            elif isinstance(step, _Drawn):
                moved -= step.share
            else:
                cycle = step.cycle
                turn = cycle.turn(step.index)
                if not cycle.low <= now < cycle.high:
                    return None
                if turn.periods_left(now, cycle.margin(now)) < step.count + 1:
                    return None
                if turn.mean.worth(step.count, now)[0] < step.count:
                    return None
                change = turn.clock.advance(now, step.count * cycle.period_ns * 1e-9)
                assert change is not None
                moved += change
                told(step.start_ns, step.end_ns, step.times, now, charge + moved)
        return charge + moved
