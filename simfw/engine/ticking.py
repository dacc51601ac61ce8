"""Which states come round again by their own dwells."""

from __future__ import annotations

from collections.abc import Sequence

from simfw.behaviour.region import Region, Row, System

__all__ = ["ticking_groups", "ticking_states"]


def _by_its_own(region: Region, row: Row) -> bool:
    """Whether a row fires without anything from outside of its region: a dwell, or the end of a
    sequence that a state of it plays.
    """
    return row.after_ns is not None or row.on == f"{region.name}.ended"


def ticking_states(system: System) -> tuple[frozenset[int], ...]:
    """For each region, clocks last, the states to which its own dwells lead back: looks, samples,
    blinks.
    """
    result = []
    for region in system.every:
        numbers = {state.name: number for number, state in enumerate(region.states)}
        leads: dict[int, set[int]] = {}
        for row in region.rows:
            if not _by_its_own(region, row) or row.to == "same":
                continue
            targets = [numbers[name] for name in region.entered_by(row)]
            for source in row.sources:
                leads.setdefault(numbers[source], set()).update(targets)
        result.append(_returning(leads))
    return tuple(result)


def _returning(leads: dict[int, set[int]]) -> frozenset[int]:
    """The states that lead back to themselves: those left when dead ends are taken away, from both
    sides, and what joins two rounds without being part of one is told by a search.
    """
    into: dict[int, set[int]] = {}
    for state, targets in leads.items():
        for target in targets:
            into.setdefault(target, set()).add(state)
    left = {state for state in leads if state in into}
    for ahead, behind in ((leads, into), (into, leads)):
        ends = [state for state in left if not ahead[state] & left]
        while ends:
            state = ends.pop()
            left.discard(state)
            ends += [one for one in behind[state] & left if not ahead[one] & left]
    found: set[int] = set()
    for state in left:
        if state not in found:
            found |= _reached(state, leads, left) & _reached(state, into, left)
    return frozenset(found)


def _reached(state: int, leads: dict[int, set[int]], within: set[int]) -> set[int]:
    """What comes after `state`, itself only where it comes again."""
    reached: set[int] = set()
    ahead = set(leads[state]) & within
    while ahead:
        here = ahead.pop()
        reached.add(here)
        ahead |= (leads[here] & within) - reached
    return reached


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
                    ticks_on = _by_its_own(region, row) and here in row.sources
                    if ticks_on and row.to in names and row.to not in reached:
                        reached.add(row.to)
                        ahead.append(row.to)
            groups[name] = frozenset(reached)
        result[region.name] = groups
    return result
