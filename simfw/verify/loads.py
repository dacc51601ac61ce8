"""The load sets of what was reached: what the states of all written regions draw together.

Sets of regions that were searched apart stand together in every way. Up to a counted number each
way is a load set of its own; of more, those are kept that can decide: the least, the heaviest, and
every state of one set with the others at rest and with the others at their heaviest. All consumers
hang on one node of the cell, so what is heavier alone is heavier together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import product
from math import prod

import numpy as np

from simfw.behaviour.outputs import merged
from simfw.behaviour.region import State
from simfw.circuit.circuit import Circuit, LoadSet
from simfw.gadget.model import Gadget
from simfw.verify.electrical import Loads
from simfw.verify.reach import Reach
from simfw.verify.whole import Whole

__all__ = ["MOST_LOADS", "loads_of"]

MOST_LOADS = 256
"""Ways in which sets searched apart may stand together before only the telling ones are kept."""
CHARGES = (0.02, 0.25, 0.5, 0.75, 1.0)
"""Where it is asked which state of a set is the heaviest (of a full cell)."""

_Stand = tuple[State, ...]


def loads_of(gadget: Gadget, whole: Whole, circuit: Circuit) -> Loads:
    """The load sets of what was reached; the gauge's own bars are left out."""
    ever: list[list[_Stand]] = []
    charging: list[list[_Stand]] = []
    for part in whole.parts:
        reach, machine = Reach(gadget, part), part.reduced.machine
        charge = machine.region_index.get("charge")
        ever.append(_distinct(reach.stands(config) for config in part.search.zones))
        charging.append(_distinct(
            reach.stands(config) for config in part.search.zones
            if charge is None or machine.parts[charge].states[config[charge]] in (
                "waiting", "charging")
        ))
    everything, left_out = _together(ever, circuit)
    rest = min(everything, key=lambda load: (len(load.drives), load.controller == "awake"),
               default=LoadSet())
    return Loads(rest=rest, all=everything, charging=_together(charging, circuit)[0],
                 left_out=left_out)


def _load(states: Iterable[State]) -> LoadSet:
    standing = tuple(states)
    return LoadSet(
        drives=tuple(
            (name, drive.duty, -1 if drive.segments is None else drive.segments)
            for name, drive in merged(
                ("behaviour", replace(state, outputs=state.most), True) for state in standing
            ).items()
        ),
        controller="awake" if any(state.awake for state in standing) else "asleep",
    )


def _distinct(stands: Iterable[_Stand]) -> list[_Stand]:
    """Those that draw differently, in the order in which they were reached."""
    found: dict[LoadSet, _Stand] = {}
    for stand in stands:
        found.setdefault(_load(stand), stand)
    return list(found.values())


def _together(
    sets: Sequence[Sequence[_Stand]], circuit: Circuit
) -> tuple[tuple[LoadSet, ...], int]:
    """The load sets of one stand of each set, and how many ways to stand together are left out."""
    count = prod(len(stands) for stands in sets)
    chosen: Iterable[tuple[int, ...]]
    if count <= MOST_LOADS:
        chosen = sorted(product(*(range(len(stands)) for stands in sets)), key=sum)
    else:
        chosen = _telling(sets, circuit)
    ways = list(chosen)
    loads = dict.fromkeys(
        _load(state for stands, place in zip(sets, way, strict=True) for state in stands[place])
        for way in ways
    )
    return tuple(loads), count - len(ways)


def _telling(sets: Sequence[Sequence[_Stand]], circuit: Circuit) -> list[tuple[int, ...]]:
    """The ways to stand together that can decide, as places in `sets`."""
    least: list[int] = []
    heaviest: list[list[int]] = []
    charge = np.array(CHARGES)
    for stands in sets:
        loads = [_load(stand) for stand in stands]
        least.append(min(range(len(loads)), key=lambda place, loads=loads: (  # type: ignore[misc]
            len(loads[place].drives), loads[place].controller == "awake")))
        solved = [circuit.solve(load, charge) for load in loads]
        low_v = np.array([one.voltage_v for one in solved])
        drawn_a = np.array([one.consumers_a.sum(axis=0) for one in solved])
        heaviest.append([*low_v.argmin(axis=0).tolist(), *drawn_a.argmax(axis=0).tolist()])
    bases = dict.fromkeys([tuple(least), *zip(*heaviest, strict=True)])
    found = dict(bases)
    for base in bases:
        for place, stands in enumerate(sets):
            for one in range(len(stands)):
                found[(*base[:place], one, *base[place + 1:])] = None
    return list(found)
