"""What a search follows of a firmware that lets go of its own supply."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.behaviour import expression as ex
from simfw.behaviour.hold import may_let_go
from simfw.behaviour.region import Region, System
from simfw.verify.machine import Act, Monitor
from simfw.verify.slicing import mentions, needed_regions
from simfw.verify.terms import SUPPLY

__all__ = ["LET_GO_ACTS", "follows_letting_go", "is_still", "kept_of", "letting_of", "powering"]

LET_GO_ACTS = (
    Act("the firmware lets go of its supply", SUPPLY, ()),  # it may at the end of any instant
    Act("the supply comes back", SUPPLY, ((SUPPLY, True),)),
)


def follows_letting_go(system: System, monitor: Monitor) -> bool:
    """Whether a monitor tells a supply that the firmware has let go of from one that is there.

    Names of states read as they were left, and then all powers up anew: that is in the search
    without it, where nothing is kept. Outputs are off meanwhile, inputs go on, and so does the time
    of what waits.
    """
    if not may_let_go(system):
        return False
    if is_still(system, monitor):
        return bool(kept_of(system, monitor))
    if _keeps(system):
        return True
    asked = mentions(monitor.when)
    return monitor.kind != "never" or bool(asked.flags or asked.quantities)


def kept_of(system: System, monitor: Monitor) -> tuple[str, ...]:
    """The regions that bear on a monitor and keep something over a loss of the supply."""
    wanted = needed_regions(system, [monitor.when, *([monitor.then] if monitor.then else [])])
    return tuple(region.name for region in system.regions
                 if region.name in wanted and region.kept is not None)


def is_still(system: System, monitor: Monitor) -> bool:
    """Whether nothing that a monitor watches for can be so while the supply is let go of.

    Then it matters of that time only how it ends, whatever the cell does meanwhile. Where nothing
    that bears on the monitor is kept, it ends with one of the power-ups that a search begins with
    anyway, at any charge.
    """
    return monitor.kind == "never" and not any(
        _may_hold(monitor.when, region.name, state.name)
        for region in system.regions for state in region.states if state.unpowered)


def _may_hold(when: ex.Expression, region: str, state: str) -> bool:
    """Whether `when` may hold without supply, where a region is in a state that let go of it."""

    def number(side: ex.Number | ex.Quantity) -> float | None:
        if isinstance(side, ex.Number):
            return side.value
        return None if side.name in ex.CONTINUOUS or side.name == "gauge" else 0.0  # all is off

    def read(leaf: ex.Leaf) -> bool | None:
        match leaf:
            case ex.Inside(name, states) if name == region:
                return state in states
            case ex.Compare(left, operator, right):
                one, other = number(left), number(right)
                if one is not None and other is not None:
                    return ex.COMPARE[operator](one, other)
        return None

    return ex.truth(when, read) is not False


def _keeps(system: System) -> bool:
    """Whether anything is kept over a loss of the supply."""
    return any(region.kept is not None for region in system.regions)


def powering(system: System) -> tuple[str, ...]:
    """The inputs that keep a supply which the firmware lets go of."""
    return tuple("usb" if name == "usb" else f"{name}.closed" for name in system.powered_by)


def letting_of(
    system: System, monitors: Sequence[Monitor], regions: Sequence[Region]
) -> frozenset[str] | None:
    """The regions of whose states it hangs whether the firmware lets go of its supply: none where
    it may at any time, since some are left out. None where that is not to be followed.
    """
    asked = any(follows_letting_go(system, one) for one in monitors) if monitors else _keeps(system)
    if not asked or not may_let_go(system):
        return None
    every, here = (frozenset(region.name for region in some if region.lets_go)
                   for some in (system.regions, regions))
    return here if here == every else frozenset()
