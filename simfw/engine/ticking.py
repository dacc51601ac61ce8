"""Which states come round again by their own dwells."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.behaviour.region import Region, System

__all__ = ["ticking_groups", "ticking_states"]


def ticking_states(system: System) -> tuple[frozenset[int], ...]:
    """For each region, clocks last, the states to which its own dwells lead back: looks, samples,
    blinks.
    """
    result = []
    for region in system.every:
        numbers = {state.name: number for number, state in enumerate(region.states)}
        leads: dict[int, set[int]] = {}
        for row in region.rows:
            if row.after_ns is None or row.to == "same":
                continue
            targets = [numbers[name] for name in region.entered_by(row)]
            for source in row.sources:
                leads.setdefault(numbers[source], set()).update(targets)
        result.append(frozenset(state for state in leads if _returns(state, leads)))
    return tuple(result)


def _returns(state: int, leads: dict[int, set[int]]) -> bool:
    reached: set[int] = set()
    ahead = set(leads[state])
    while ahead:
        here = ahead.pop()
        if here == state:
            return True
        if here not in reached:
            reached.add(here)
            ahead |= leads.get(here, set())
    return False


def ticking_groups(regions: Sequence[Region]) -> dict[str, dict[str, frozenset[str]]]:
    """For each region, the states it ticks through by its own dwells, by state."""
    result = {}
    for region, ticks in zip(regions, ticking_states(System(regions=tuple(regions))), strict=True):
        names = {region.states[n].name for n in ticks}
        groups: dict[str, frozenset[str]] = {}
        for name in names:
            reached = {name}
            ahead = [name]
            while ahead:
                here = ahead.pop()
                for row in region.rows:
                    ticks_on = row.after_ns is not None and here in row.sources
                    if ticks_on and row.to in names and row.to not in reached:
                        reached.add(row.to)
                        ahead.append(row.to)
            groups[name] = frozenset(reached)
        result[region.name] = groups
    return result
