"""How long a supply stays that the firmware lets go of: in a study the dwell of a region.

The region stands for `engine.supply.Latch`, which decides; none of its rows is ever run. What such
a latch knows at an instant, but for the time, is one of three states, and the time is a dwell.
"""

from __future__ import annotations

from dataclasses import replace

from simfw.behaviour.hold import may_let_go
from simfw.behaviour.region import Region, Row, State, System
from simfw.engine.supply import Latch

__all__ = ["HOLD_UP", "latch_of", "state_of", "with_hold_up"]

HOLD_UP = "controller:hold_up"  # beside the names of clocks: no written region is called so

_GONE, _HELD, _STAYS = range(3)
_STATES = ("gone", "held", "stays")


def with_hold_up(system: System) -> System:
    """The system with that region behind all others; the same where nothing waits for `hold_up`."""
    if not system.hold_up_ns or not may_let_go(system):
        return system
    region = Region(
        name=HOLD_UP, group="behaviour", states=tuple(State(name=name) for name in _STATES),
        starts=_STATES[_GONE],
        rows=(Row(key="controller.hold_up", sources=(_STATES[_STAYS],), to=_STATES[_GONE],
                  after_ns=system.hold_up_ns),),
    )
    return replace(system, clocks=(*system.clocks, region))


def latch_of(hold_up_ns: int, state: int, *, due: bool) -> Latch:
    """The latch at time 0 where the region stands in `state`; `due`: its dwell ends then."""
    left_ns = 0 if due else 1  # how long does not matter: nothing else asks for it
    return Latch(hold_up_ns, held=state == _HELD,
                 open_ns=left_ns - hold_up_ns if state == _STAYS else None)


def state_of(latch: Latch, *, dead: bool) -> int:
    """Where the region stands after the instant at 0. A power-up begins anew: from a supply that is
    gone, what is open then lets go at once.
    """
    if dead:
        return _GONE
    if latch.held:
        return _HELD
    return _STAYS if latch.goes_ns(0) > 0 else _GONE
