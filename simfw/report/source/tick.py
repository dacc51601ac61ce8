"""The tick of the target: how coarse time may be, and what that costs in exactness."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Tick", "choose_tick"]

LIMIT = 2**31 - 1  # half the range of a 32-bit counter that wraps
TOLERANCE = 0.005  # how far a dwell may move when it is rounded to whole ticks


@dataclass(frozen=True, slots=True)
class Tick:
    """A tick of `ns` nanoseconds, and `worst`, the largest relative rounding error of a dwell."""

    ns: int
    worst: float

    @property
    def sentence(self) -> str:
        """How exact this tick is, in words."""
        if self.worst == 0:
            return "every dwell is a\n * whole number of ticks."
        return f"a dwell is off\n * by {self.worst * 100:.2g} % at most."


def _worst(dwells: Iterable[int], tick: int) -> float:
    return max(
        (abs((dwell + tick // 2) // tick * tick - dwell) / dwell for dwell in dwells), default=0.0
    )


def choose_tick(dwells_ns: Iterable[int]) -> Tick:
    """The coarsest power of ten (10 ms .. 1 ns) that keeps every dwell within 0.5 %.

    A 32-bit counter must hold twice the longest dwell; where both cannot be had, the finest tick
    whose counter does is taken.
    """
    dwells = {dwell for dwell in dwells_ns if dwell > 0}
    fitting = [
        10**power for power in range(7, -1, -1) if max(dwells, default=1) // 10**power <= LIMIT
    ]
    for tick in fitting:
        if _worst(dwells, tick) <= TOLERANCE:
            return Tick(tick, _worst(dwells, tick))
    finest = fitting[-1] if fitting else max(dwells) // LIMIT + 1
    return Tick(finest, _worst(dwells, finest))
