"""Which states come round again by their own dwells."""

from __future__ import annotations

from simfw.behaviour.region import System

__all__ = ["ticking_states"]


def ticking_states(system: System) -> tuple[frozenset[int], ...]:
    """For each region, the states to which its own dwells lead back: looks, samples, blinks."""
    result = []
    for region in system.regions:
        numbers = {state.name: number for number, state in enumerate(region.states)}
        leads: dict[int, set[int]] = {}
        for row in region.rows:
            if row.after_ns is None or row.to == "same":
                continue
            targets = region.resume_points if row.to == "resume" else (row.to,)
            for source in row.sources:
                leads.setdefault(numbers[source], set()).update(numbers[t] for t in targets)
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
