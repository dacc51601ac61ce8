"""The output by which a firmware holds its own supply.

A state that is `unpowered` lets go of the supply. At the pins of a firmware that is an output, on
while no region stands in such a state: whoever tells or drives outputs (vectors, the line protocol,
C, the specification) takes a system that has it, while the circuit knows nothing of it.
"""

from __future__ import annotations

from dataclasses import replace

from simfw.behaviour.region import Drive, Region, State, System

__all__ = ["HOLD", "holding", "may_let_go"]

HOLD = "controller.hold"


def may_let_go(system: System) -> bool:
    """Whether any state lets go of the supply."""
    return any(region.lets_go for region in system.regions)


def holding(system: System) -> System:
    """The system with the output that holds its supply; the same where it never lets go.

    The first region with states that let go drives it in all its others; those of further regions
    scale it to nothing.
    """
    if system.holds or not may_let_go(system):
        return system
    first = next(region for region in system.regions if region.lets_go)

    def state(one: State, region: Region) -> State:
        if region is first:
            return one if one.unpowered else replace(one, outputs={**one.outputs, HOLD: Drive(1.0)})
        return replace(one, scales={**one.scales, HOLD: 0.0}) if one.unpowered else one

    return replace(system, holds=True, regions=tuple(
        replace(region, states=tuple(state(one, region) for one in region.states))
        for region in system.regions))
